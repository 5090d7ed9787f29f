"""Rigs made audible: where coils sit, what each coil's EMF becomes at the last input, what two rigs differ in.

The only module of this layer that knows `labkit.rig`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from labkit.circuit.solve.noise import noise_density
from labkit.circuit.solve.solver import solve
from labkit.core.by_numpy import fast_length
from labkit.core.errors import InputError, capitalized
from labkit.core.grid import frequency_grid
from labkit.core.response import gain_db
from labkit.pickup.network import source_name
from labkit.pickup.predict.output import path_gain
from labkit.pickup.predict.pull import pull_on_strings, too_close_in_words
from labkit.pickup.predict.sheet import PickupBuild
from labkit.rig.outputs import counted_outputs
from labkit.rig.rig import Rig
from labkit.sound.convert.difference import DEFAULT_BOOST_DB, Difference
from labkit.sound.render.rendering import Evaluate, Renderer
from labkit.sound.strings import string_set
from labkit.sound.take.performance import Performance
from labkit.sound.take.take import CoilSpot, Take, synthesise, usual_spots

MIXING_TOLERANCE_DB = 0.5
"""Two rigs whose coils are mixed within this of one another are taken to hear the string alike."""

USUAL_STRINGS = "six strings 10-46"
"""Set of the catalogue that stands for a guitar's strings where nobody has named another."""

_HEARD_DB = 40.0
_NOISE_FROM_HZ, _NOISE_POINTS = 20.0, 512


def coil_spots(
    rig: Rig,
    *,
    scale: float = 25.5 * 0.0254,
    places: Mapping[str, float] | None = None,
    levels_db: Mapping[str, float] | None = None,
    aperture: float | None = None,
) -> dict[str, CoilSpot]:
    """Return where each coil of a rig sits, named ``slot.coil``.

    Parameters
    ----------
    rig : Rig
    scale : float, m
    places : mapping of str to float, m
        Distance of a pickup's centre from the bridge, by slot; usual places otherwise.
    levels_db : mapping of str to float, dB
        Output of a pickup relative to the others, by slot (for instance from its build sheet).
    aperture : float or None, m
        Of ideal coils; None hears as the pickups do.
    """
    coils = {slot: tuple(pickup.coils) for slot, pickup in rig.pickups.items()}
    spots = usual_spots(coils, scale=scale, places=places, aperture=aperture)
    levels = dict(levels_db or {})
    found = {}
    for name, spot in spots.items():
        slot = name.partition(".")[0]
        found[name] = replace(spot, level_db=levels.get(slot, 0.0), build=_build(rig, slot))
    return found


def _build(rig: Rig, slot: str) -> PickupBuild | None:
    made = rig.pickups[slot].made_from
    return made if isinstance(made, PickupBuild) else None


def too_close_strings(rig: Rig) -> str:
    """Return one sentence on strings that the magnets of a rig pull hard on; empty where none, or places are unknown.

    Built pickups at their usual places and string heights; those of measured values count for nothing.
    """
    try:
        spots = coil_spots(rig)
    except InputError:
        return ""
    pulling = []
    for slot in rig.pickups:
        build, own = _build(rig, slot), [spot for name, spot in spots.items() if name.partition(".")[0] == slot]
        if build is not None and own:
            pulling.append((build, sum(spot.position for spot in own) / len(own)))
    said = too_close_in_words(pull_on_strings(pulling)) if pulling else ""
    return capitalized(said)


def take_for(
    rig: Rig, performance: Performance, *, rate: int = 48_000, spots: Mapping[str, CoilSpot] | None = None
) -> Take:
    """Return a performance as heard by the coils of a rig (at their usual places unless ``spots`` are given)."""
    found = coil_spots(rig, scale=performance.strings.scale) if spots is None else spots
    return synthesise(performance, found, rate=rate)


def play(rig: Rig, performance: Performance, *, rate: int = 48_000) -> np.ndarray:
    """Return a performance through a rig: the voltage at its last input, shape (samples,), V.

    Parameters
    ----------
    rig : Rig
    performance : Performance
        See `labkit.sound.take.sheet.load_take`.
    rate : int, Hz

    >>> from labkit.rig.sheet import load_rig
    >>> from labkit.sound.take.sheet import load_take
    >>> voltage = play(load_rig("Saltmarsh Lane, narrow single coil"), load_take("E chord"), rate=16_000)
    >>> bool(0.001 < abs(voltage).max() < 2)
    True
    """
    take = take_for(rig, performance, rate=rate)
    return Renderer(take).render(coil_transfers(rig, take.coils))


def coil_transfers(rig: Rig, coils: tuple[str, ...], *, levels_db: Mapping[str, float] | None = None) -> Evaluate:
    """Return ``evaluate(frequency_hz)`` of shape (coils, F): volts at the last input for 1 V in the take's coils.

    Each coil counts with its share of its pickup, the sign of winding and pole, the pickup's output, and what eddy
    currents in its poles and cover take from the strings on their way.

    Parameters
    ----------
    rig : Rig
    coils : tuple of str
        Coils of the take, ``slot.coil``; a coil that this rig does not have stays silent.
    levels_db : mapping of str to float, dB
        Level on the EMF of each slot, where rigs are compared (`labkit.rig.outputs.counted_outputs`); the rig's own
        outputs as far as they are known, unless given.

    Raises
    ------
    InputError
        If the rig has a coil for which the take has no EMF.
    """
    circuit = rig.circuit
    paths = {slot: None if (build := _build(rig, slot)) is None else path_gain(build) for slot in rig.pickups}
    weights = rig.source_weights(levels_db=counted_outputs(rig).levels_db[0] if levels_db is None else levels_db)
    own = {f"{slot}.{coil}": source_name(slot, coil) for slot, pickup in rig.pickups.items() for coil in pickup.coils}
    missing = [name for name in own if name not in coils]
    if missing:
        raise InputError(f"the take has no EMF for coil '{missing[0]}' of rig '{rig.name}'; make the take for this rig")

    def evaluate(frequency_hz: np.ndarray) -> np.ndarray:
        solution = solve(circuit, frequency_hz, per_source=True)
        rows = np.zeros((len(coils), np.size(frequency_hz)), dtype=complex)
        for index, name in enumerate(coils):
            if name in own:
                source = own[name]
                np.multiply(solution.transfer[solution.sources.index(source)], weights[source], out=rows[index])
                path = paths[name.partition(".")[0]]
                if path is not None:
                    rows[index] *= np.interp(np.log(frequency_hz), np.log(path[0]), path[1])
        return rows

    return evaluate


def jack_noise(rig: Rig, samples: int, *, rate: int, seed: int = 0, celsius: float = 20.0) -> np.ndarray:
    """Return the noise at the last input of a rig, Gaussian: thermal of all parts, and of active inputs their own.

    Parameters
    ----------
    rig : Rig
    samples : int
    rate : int, Hz
    seed : int
        The same seed gives the same noise; two sounds that are mixed want different ones.
    celsius : float, °C

    Returns
    -------
    ndarray, shape (samples,), V
        Up to half the rate, without what lies below 20 Hz.

    Notes
    -----
    The density is that of `labkit.circuit.solve.noise.noise_density`. Not modelled: noise of magnets, hum.

    >>> from labkit.rig.sheet import load_rig
    >>> noise = jack_noise(load_rig("Saltmarsh Lane, narrow single coil"), 48_000, rate=48_000)
    >>> bool(1e-6 < noise.std() < 2e-5)
    True
    """
    length = fast_length(samples)
    bins = np.fft.rfftfreq(length, 1 / rate)
    density = np.where(bins >= _NOISE_FROM_HZ, jack_density(rig, bins, celsius=celsius), 0.0)
    drawn = np.random.default_rng([seed, 4]).normal(size=(2, bins.size)) / np.sqrt(2)
    spectrum = density * np.sqrt(rate * length / 2) * (drawn[0] + 1j * drawn[1])  # E|X|² = S·f_s·N/2, S one-sided
    noise: np.ndarray = np.fft.irfft(spectrum, length)[:samples]
    return noise


def jack_density(rig: Rig, frequency_hz: np.ndarray, *, celsius: float = 20.0) -> np.ndarray:
    """Return the noise density at the last input of a rig, one-sided, shape of ``frequency_hz``, V/√Hz.

    Interpolated from a grid over the audio range; below 20 Hz what it is there.
    """
    grid = frequency_grid(_NOISE_FROM_HZ, max(float(np.max(frequency_hz)), 2 * _NOISE_FROM_HZ), _NOISE_POINTS)
    power = noise_density(rig.circuit, grid, temperature_c=celsius).total
    density: np.ndarray = np.sqrt(np.interp(np.log(np.maximum(frequency_hz, _NOISE_FROM_HZ)), np.log(grid), power))
    return density


def takes_for_both(
    first: Rig,
    second: Rig,
    performance: Performance,
    *,
    rate: int = 48_000,
    spots: Callable[[Rig], Mapping[str, CoilSpot]] | None = None,
) -> tuple[Take, Take]:
    """Return one performance for two rigs: the same take where they have the same coils in the same places."""
    place = spots or (lambda rig: coil_spots(rig, scale=performance.strings.scale))
    one, other = place(first), place(second)
    take = synthesise(performance, one, rate=rate)
    return take, take if one == other else synthesise(performance, other, rate=rate)


def whole_transfer(rig: Rig, *, levels_db: Mapping[str, float] | None = None) -> Evaluate:
    """Return ``evaluate(frequency_hz)`` of shape (F,): all `coil_transfers` of a rig added, as if its coils sat in one
    place. What poles and cover take from the strings counts here as it does in a take.
    """
    coils = tuple(f"{slot}.{coil}" for slot, pickup in rig.pickups.items() for coil in pickup.coils)
    by_coil = coil_transfers(rig, coils, levels_db=levels_db)

    def evaluate(frequency_hz: np.ndarray) -> np.ndarray:
        whole: np.ndarray = by_coil(frequency_hz).sum(axis=0)
        return whole

    return evaluate


def rig_difference(before: Rig, after: Rig, *, greatest_boost_db: float = DEFAULT_BOOST_DB) -> Difference:
    """Return the difference between two rigs as `Difference`, from `whole_transfer` of both, outputs counted."""
    levels = counted_outputs(before, after).levels_db
    return Difference(
        before=whole_transfer(before, levels_db=levels[0]),
        after=whole_transfer(after, levels_db=levels[1]),
        greatest_boost_db=greatest_boost_db,
        before_name=before.name,
        after_name=after.name,
    )


def mixing_warnings(before: Rig, after: Rig) -> tuple[str, ...]:
    """Say in what respect the difference of two rigs cannot be had from one recording.

    One recording holds one mixture of the coils. What happens behind the mixture can be converted; another mixture, or
    a pickup in another place, cannot.
    """
    heard_before, heard_after = _mixture(before), _mixture(after)
    if set(heard_before) != set(heard_after):
        only = sorted(set(heard_before) ^ set(heard_after))
        return (
            f"the rigs do not use the same coils ({', '.join(only)} in one of them only); the recording keeps "
            "the place of the pickup it was made with, so only the electrical difference is converted",
        )
    names, said = list(heard_before), []
    moved = max((_balance_change_db(before, after, name) for name in names), default=0.0)
    if moved > MIXING_TOLERANCE_DB:
        said.append(
            f"the pickups balance the strings differently, by up to {moved:.1f}\N{NO-BREAK SPACE}dB; one recording "
            "cannot be taken apart into its strings, so their balance stays that of the pickup it was made with"
        )
    ratios = np.stack([gain_db(heard_after[name]) - gain_db(heard_before[name]) for name in names])
    if float(np.max(np.ptp(ratios, axis=0))) > MIXING_TOLERANCE_DB:
        said.append(
            f"the rigs mix their coils ({', '.join(names)}) differently; one recording cannot be taken apart into its "
            "coils, so the change of the mixture is converted as if all coils sat in one place"
        )
    return tuple(said)


def _balance_change_db(before: Rig, after: Rig, coil: str) -> float:
    """Greatest change of a string's level against the mean of all six between two rigs at one coil, dB."""
    slot = coil.partition(".")[0]
    builds = [_build(rig, slot) for rig in (before, after)]
    if builds[0] == builds[1]:
        return 0.0
    strings = string_set(USUAL_STRINGS)
    levels = [
        gain_db(np.array([each.sensitivity for each in CoilSpot(position=0.05, build=build).heard_by(strings)]))
        for build in builds
    ]
    change = levels[1] - levels[0]
    return float(np.max(np.abs(change - np.mean(change))))


def _mixture(rig: Rig) -> dict[str, np.ndarray]:
    """Transfer of every coil that is heard within 40 dB of the loudest one, 100 Hz … 3 kHz."""
    names = tuple(f"{slot}.{coil}" for slot, pickup in rig.pickups.items() for coil in pickup.coils)
    rows = coil_transfers(rig, names)(frequency_grid(100.0, 3000.0, 48))
    levels = gain_db(rows).max(axis=1)
    return {name: row for name, row, level in zip(names, rows, levels) if level > levels.max() - _HEARD_DB}
