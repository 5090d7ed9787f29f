"""Exact first derivatives of a reduced network by the adjoint method: all parts from one pair of solves.

For A(s)·x = b(s) and an output V = c·x, the adjoint w with Aᵀ·w = c gives dV/dp = −w·(∂A/∂p·x − ∂b/∂p), and for
a pole with left and right null vectors u, v, dp/dq = −(u·∂A/∂q·v)/(u·∂A/∂s·v). No step size, no polynomial: this
serves networks whose formula holds numbers in place of most symbols.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from labkit.circuit.formula.network import Driven, Network

UNIT_OHM = 8192.0
"""Impedances are measured in this unit, so that voltages and currents are of one size and LU loses nothing."""


@dataclass(frozen=True, slots=True)
class _Stamp:
    """One branch: y·``injects``·(``across``·x + ``constant``); a coupled one has its current as an unknown."""

    kind: str
    value: float
    injects: np.ndarray
    across: np.ndarray
    constant: float
    current: int | None

    def admittance(self, s: complex, order: int = 0) -> complex:
        """Admittance, or its derivative by s, in units of 1/`UNIT_OHM`."""
        if self.kind == "R":
            return UNIT_OHM / self.value if order == 0 else 0.0
        if self.kind == "C":
            return UNIT_OHM * self.value * (s if order == 0 else 1.0)
        inverse = UNIT_OHM / self.value
        return inverse / s if order == 0 else -inverse / s**2


class Adjoint:
    """A network in numbers, with the EMFs' weights, or with a test current where ``weights`` is None.

    Parameters
    ----------
    network : Network
    weights : mapping of str to float, or None
        EMF of each source, V; None asks for the output impedance.
    """

    def __init__(self, network: Network, weights: Mapping[str, float] | None) -> None:
        self.network = network
        self.weights = weights or {}
        self.stages = {stage.name: stage for stage in network.stages}
        coupled = sorted({place for mutual in network.mutuals for place in (mutual.first, mutual.second)})
        self.current = {place: network.size - 1 + at for at, place in enumerate(coupled)}
        self.size = network.size - 1 + len(coupled)
        self.stamps = [self._stamp(place) for place in range(len(network.branches))]
        self.mutual = [
            mutual.coefficient
            * np.sqrt(network.branches[mutual.first].value * network.branches[mutual.second].value)
            / UNIT_OHM
            for mutual in network.mutuals
        ]
        self.reads, _ = self._form(network.output.root, network.output.driven)
        self.test = np.zeros(self.size)
        if weights is None and network.output.root:
            self.test[network.output.root - 1] = UNIT_OHM

    def log_slopes(self, s: complex, value: complex) -> tuple[dict[str, complex], dict[str, complex]]:
        """Return ∂ln V/∂ln x and ∂²ln V/∂s∂ln x for every branch and mutual inductance, by code.

        Parameters
        ----------
        s : complex, rad/s
        value : complex
            V at s.
        """
        matrix, by_s = self._matrix(s), self._matrix(s, 1)
        driven = self._driven(s)
        x = np.linalg.solve(matrix, driven + self.test)
        w = np.linalg.solve(matrix.T, self.reads.astype(complex))
        x_s = np.linalg.solve(matrix, self._driven(s, 1) - by_s @ x)
        w_s = -np.linalg.solve(matrix.T, by_s.T @ w)
        value_s = complex(self.reads @ x_s)
        first, mixed = {}, {}
        for code in self._codes():
            change = self._change(code, s, x)
            slope = -complex(w @ change)
            by_both = -complex(w_s @ change + w @ (self._change(code, s, x, 1) + self._change(code, s, x_s, 0, False)))
            first[code] = slope / value
            mixed[code] = by_both / value - slope * value_s / value**2
        return first, mixed

    def pole_shifts(self, pole: complex) -> dict[str, complex]:
        """Return dp/d ln x, rad/s, for every branch and mutual inductance, by code."""
        matrix = self._matrix(pole)
        scale = 1 / np.max(np.abs(matrix), axis=1)
        left, _, right = np.linalg.svd(matrix * scale[:, None])
        u, v = left[:, -1].conj() * scale, right[-1].conj()
        slope = complex(u @ (self._matrix(pole, 1) @ v))
        return {code: -complex(u @ self._change(code, pole, v, 0, False)) / slope for code in self._codes()}

    def _codes(self) -> list[str]:
        return [*(f"x{place}" for place in range(len(self.stamps))), *(f"m{at}" for at in range(len(self.mutual)))]

    def _change(self, code: str, s: complex, x: np.ndarray, order: int = 0, constant: bool = True) -> np.ndarray:
        """∂A/∂ln(value)·x − ∂b/∂ln(value), or its explicit derivative by s."""
        place = int(code[1:])
        change = np.zeros(self.size, dtype=complex)
        factor = s if order == 0 else 1.0
        if code[0] == "m":
            mutual = self.network.mutuals[place]
            one, two = self.current[mutual.first], self.current[mutual.second]
            change[one] = -factor * self.mutual[place] * x[two]
            change[two] = -factor * self.mutual[place] * x[one]
            return change
        stamp = self.stamps[place]
        if stamp.current is not None:
            change[stamp.current] = -factor * stamp.value / UNIT_OHM * x[stamp.current]
            return change
        sign = 1 if stamp.kind == "C" else -1
        voltage = stamp.across @ x + (stamp.constant if constant else 0.0)
        change += sign * stamp.admittance(s, order) * stamp.injects * voltage
        return change

    def _matrix(self, s: complex, order: int = 0) -> np.ndarray:
        matrix = np.zeros((self.size, self.size), dtype=complex)
        factor = s if order == 0 else 1.0
        for stamp in self.stamps:
            if stamp.current is None:
                matrix += stamp.admittance(s, order) * np.outer(stamp.injects, stamp.across)
                continue
            if order == 0:
                matrix[:, stamp.current] += stamp.injects
                matrix[stamp.current] += stamp.across
            matrix[stamp.current, stamp.current] -= factor * stamp.value / UNIT_OHM
        for mutual, value in zip(self.network.mutuals, self.mutual):
            one, two = self.current[mutual.first], self.current[mutual.second]
            matrix[one, two] -= factor * value
            matrix[two, one] -= factor * value
        return matrix

    def _driven(self, s: complex, order: int = 0) -> np.ndarray:
        side = np.zeros(self.size, dtype=complex)
        for stamp in self.stamps:
            if stamp.current is None:
                side -= stamp.admittance(s, order) * stamp.injects * stamp.constant
            elif order == 0:
                side[stamp.current] -= stamp.constant
        return side

    def _stamp(self, place: int) -> _Stamp:
        branch = self.network.branches[place]
        across, constant = self._form(0, branch.driven)
        injects = np.zeros(self.size)
        for root, sign in ((branch.start, 1.0), (branch.end, -1.0)):
            if root:
                across[root - 1] += sign
                injects[root - 1] += sign
        return _Stamp(branch.kind, branch.value, injects, across, constant, self.current.get(place))

    def _form(self, root: int, driven: Driven) -> tuple[np.ndarray, float]:
        """A voltage as coefficients of the unknowns and what the EMFs contribute."""
        unknown, constant = np.zeros(self.size), 0.0
        if root:
            unknown[root - 1] = 1.0
        for name, sign in driven:
            stage = self.stages.get(name)
            if stage is None:
                constant += sign * self.weights.get(name, 0.0)
                continue
            below, rest = self._form(stage.reads.root, stage.reads.driven)
            unknown = unknown + sign * stage.gain * below
            constant += sign * stage.gain * rest
        return unknown, constant
