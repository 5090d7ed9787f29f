"""A sampler as oracle for `labkit.book.learn.knowledge`: Gibbs over latent causes, random walk over the scales.

It shares no covariance with the book's: each spool's, lot's, room's and meter's own deviation is a number that is
drawn.
"""

from __future__ import annotations

import numpy as np

from labkit.book.learn.evidence import CoilPlace, reading_model
from labkit.book.learn.levels import SCALE_CORRELATION, SCALE_PRIORS, SCALED, shares_of
from tests.book.learn.shops import KINDS, single_coil


def sampled(
    away: np.ndarray, places: list[CoilPlace], target: CoilPlace, *, draws: int, seed: int, scales: bool = True
) -> np.ndarray:
    """Return draws of the next coil's readings about the plan, shape (draws, kinds).

    Parameters
    ----------
    away : ndarray, shape (coils, kinds)
    places : list of CoilPlace
        One time, so that nothing drifts.
    target : CoilPlace
    draws : int
    scales : bool
        False holds all scales at 1.
    """
    rng = np.random.default_rng(seed)
    model = reading_model(single_coil(), KINDS, ())
    columns: list[np.ndarray] = []  # effect of a unit latent on the readings of each coil, then of the target
    groups: list[str] = []
    everyone = [*places, target]
    for column, name in enumerate(model.names):
        for level, share in shares_of(name).items():
            if level == "coil":
                continue
            labels = [str(getattr(place, level, "")) for place in everyone]
            for thing in dict.fromkeys(labels):
                has = np.array([label == thing for label in labels], dtype=float)
                columns.append(np.sqrt(share) * np.outer(has, model.effects[:, column]).ravel())
                groups.append(SCALED[level])
    design = np.array(columns).T
    coils, size = len(places), len(KINDS)
    weight = np.array([shares_of(name).get("coil", 0.0) for name in model.names])
    own = (model.effects * weight) @ model.effects.T
    root = np.linalg.inv(np.linalg.cholesky(own))
    white = np.kron(np.eye(coils), root)
    seen, wanted = white @ design[: coils * size], design[coils * size :]
    read = white @ away.ravel()
    parts = ("shop and models", "spool", "lot")
    member = np.array([parts.index(group) if group in parts else 3 for group in groups])
    logs, coil_log = np.zeros(3), 0.0
    inverse = np.linalg.inv(np.full((3, 3), SCALE_CORRELATION) + (1 - SCALE_CORRELATION) * np.eye(3))
    prior = [SCALE_PRIORS[part] for part in parts]  # type: ignore[index]
    coil_prior = SCALE_PRIORS["coil"]

    def log_prior(values: np.ndarray, coil: float) -> float:
        z = np.array([(value - np.log(p.middle)) / p.deviation for value, p in zip(values, prior)])
        return float(-0.5 * z @ inverse @ z - 0.5 * ((coil - np.log(coil_prior.middle)) / coil_prior.deviation) ** 2)

    def log_likelihood(latent: np.ndarray, values: np.ndarray, coil: float) -> float:
        size_of = np.append(np.exp(values), 1.0)[member]
        left = read - seen @ (latent * size_of)
        return float(-0.5 * left @ left * np.exp(-2 * coil) - read.size * coil)

    cross = seen.T @ seen
    pull = seen.T @ read
    latent = np.zeros(seen.shape[1])
    found = np.zeros((draws, size))
    low, high = np.log(0.7 / 1.25), np.log(3.5 * 1.25)
    burn = draws // 4
    for step in range(-burn, draws):
        size_of = np.append(np.exp(logs), 1.0)[member]
        precision = np.eye(latent.size) + np.exp(-2 * coil_log) * cross * np.outer(size_of, size_of)
        cholesky = np.linalg.cholesky(precision)
        mean = np.linalg.solve(precision, np.exp(-2 * coil_log) * size_of * pull)
        latent = mean + np.linalg.solve(cholesky.T, rng.normal(size=latent.size))
        if scales:
            for _ in range(3):
                for index in range(4):
                    new, new_coil = logs.copy(), coil_log
                    if index < 3:
                        new[index] += 0.3 * rng.normal()
                        if not low < new[index] < high:
                            continue
                    else:
                        new_coil += 0.2 * rng.normal()
                    gain = log_likelihood(latent, new, new_coil) + log_prior(new, new_coil)
                    gain -= log_likelihood(latent, logs, coil_log) + log_prior(logs, coil_log)
                    if np.log(rng.random()) < gain:
                        logs, coil_log = new, new_coil
        if step >= 0:
            size_of = np.append(np.exp(logs), 1.0)[member]
            noise = np.exp(coil_log) * np.linalg.solve(root, rng.normal(size=size))
            found[step] = wanted @ (latent * size_of) + noise
    return found
