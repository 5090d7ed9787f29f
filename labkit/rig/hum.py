"""Hum and phase: what a uniform alternating field leaves at the output, and how two pickups stand to each other.

A mains field is uniform over an instrument: each coil's EMF is turns × mean turn area × sense of winding, whatever its
magnet. A string's signal takes the sign of winding *and* magnet. That is the whole of humbucking. What a harness sheet
claims for a position is held against these.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from labkit.circuit.solve.solver import solve
from labkit.core.errors import join_words
from labkit.core.grid import FREQUENCY
from labkit.core.response import SILENT_DB
from labkit.core.validity import range_called
from labkit.pickup.electrical import Coil
from labkit.pickup.network import coil_of_terminal
from labkit.rig.claims import Claim, HumClaim
from labkit.rig.parts.active import DummyCoil
from labkit.rig.parts.parts import Position, Selector
from labkit.rig.rig import Rig

MAINS_HZ = 100.0
"""Twice 50 Hz, where rectifiers and fields buzz; the choice hardly matters below a kilohertz."""


MISMATCH_RANGE = range_called("mismatch")

MISMATCH = 0.01
"""How far turns × area of two coils differ beyond what their sheets state (common practice, no source: 1 to 2 %)."""

HEARD = 0.1
"""A coil below this part of the strongest (−20 dB, at 100 and at 400 Hz) counts as not selected."""

PHASE_HZ = 400.0
"""Where phase is judged: above the corner of coupling capacitors, below every resonance."""

IN_PHASE_DEG, OUT_OF_PHASE_DEG = 60.0, 120.0
"""Pickups nearer than the first are called in phase, further apart than the second out of phase."""

SILENT = 10 ** (SILENT_DB / 20)


@dataclass(frozen=True, slots=True, kw_only=True)
class HumResidual:
    """Hum of a selection against one coil.

    Attributes
    ----------
    level_db : float
        Hum at the output over the hum the strongest coil alone would give at the same settings, dB.
    reference : str
        That coil, as ``slot.coil``.
    with_mismatch_db : float
        The same, at worst, if the turns × area of any two coils differ by 1 % more than their sheets state.
    coils : int
        How many coils reach the output (within 40 dB of the strongest).
    assumptions : tuple of str
        What was assumed because a sheet does not say it.
    """

    level_db: float
    reference: str
    with_mismatch_db: float = -np.inf
    coils: int = 1
    assumptions: tuple[str, ...] = ()


HUM_FIELD_T = 0.1e-6
"""Mains field that hum is given for unless another is stated, T rms: the upper end of what homes have on the average,
0.025 to 0.11 µT (WHO, Environmental Health Criteria 238, 2007, from memory); beside a transformer it is far more."""

HUM_FIELD_HZ = 50.0

HUM_FIELD = range_called("hum_field")


@dataclass(frozen=True, slots=True, kw_only=True)
class HumVoltage:
    """What a uniform mains field leaves at the output of a rig, V rms.

    Attributes
    ----------
    rms : float, V
    with_mismatch : float, V
        At worst, if the turns × area of any two coils differ by 1 % more than their sheets state.
    field_t, frequency_hz : float
        Of the field, T rms along the axes of the coils, and Hz.
    assumptions : tuple of str
    """

    rms: float
    with_mismatch: float
    field_t: float
    frequency_hz: float
    assumptions: tuple[str, ...] = ()


CANCELLED_DB = -20.0
"""A hum is called cancelled from here down at 100 Hz, the mismatch of real coils included."""

CANCELLED_AT_1K_DB = -10.0
"""… and from here down at 1 kHz, where the harmonics of rectified mains still stand."""

LEAST_CHANGE_DB = 3.0
"""Less than this, either way, and the hum is that of one coil."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionFacts:
    """What a rig does at its present settings.

    Attributes
    ----------
    heard : tuple of str
        The coils heard, as ``slot.coil``; empty where the output is silent.
    phase : "in", "out", "between" or None
        How the pickups heard stand to each other (the coils, where one pickup is heard); None for one coil.
    hum : "cancels", "reduces", "stays", "adds" or None
        None where the output is silent.
    residual, residual_at_1k : HumResidual
        At 100 Hz, and at 1 kHz where the harmonics of rectified mains still stand.
    level_db : float
        Gain at 400 Hz, every pickup given the same EMF, dB.
    """

    heard: tuple[str, ...]
    phase: Literal["in", "out", "between"] | None
    hum: HumClaim | None
    residual: HumResidual
    residual_at_1k: HumResidual
    level_db: float

    @property
    def hum_words(self) -> str:
        """The hum against one coil, in words: cancelling with the mismatch of real coils, never as perfect."""
        low, high = self.residual, self.residual_at_1k
        if self.hum is None:
            return "silent"
        if self.hum == "cancels":
            numbers = low.with_mismatch_db, high.with_mismatch_db
            return f"cancels: {_at_both(*numbers)} if the coils differ by {MISMATCH * 100:g} %"
        if low.coils == 1:
            return "as one coil"
        word = {"reduces": "reduced", "stays": "as one coil", "adds": "adds"}[self.hum]
        return f"{word}: {_at_both(low.level_db, high.level_db)}"

    @property
    def level_words(self) -> str:
        """The level in words, or that the position is silent."""
        return "silent" if not self.heard or self.level_db < SILENT_DB else _decibels(self.level_db, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseRow:
    """How two pickups with both switched on stand to each other."""

    same_wind: bool
    same_magnet: bool
    in_phase: bool
    cancels_hum: bool

    def __str__(self) -> str:
        wind = "same wind" if self.same_wind else "opposite wind"
        magnet = "same magnet" if self.same_magnet else "opposite magnet"
        phase = "in phase" if self.in_phase else "out of phase"
        return f"{wind}, {magnet}: {phase}, hum {'cancels' if self.cancels_hum else 'adds'}"


def hum_residual(rig: Rig, *, frequency_hz: float = MAINS_HZ) -> HumResidual:
    """Return the hum of a rig at its present settings against one of its coils.

    Parameters
    ----------
    rig : Rig
    frequency_hz : float, Hz

    Returns
    -------
    HumResidual
        ``level_db`` is −inf when no coil reaches the output.

    Notes
    -----
    Valid for a uniform field, coils of equal orientation and no screening; a field from nearby is not uniform, and
    coils of equal hum may stand at different places in it.
    """
    parts, assumptions = _hum_parts(rig, np.array([frequency_hz]))
    return _residual({name: complex(row[0]) for name, row in parts.items()}, assumptions)


def hum_voltage(rig: Rig, *, field_t: float | None = None, frequency_hz: float | None = None) -> HumVoltage | None:
    """Return the hum of a rig in volts for a stated field: EMF = 2πf·B·N·A of every coil, with its sense.

    None where no coil states turns and area.

    Parameters
    ----------
    rig : Rig
    field_t : float, T rms, optional
        `HUM_FIELD_T` unless given.
    frequency_hz : float, Hz, optional
        `HUM_FIELD_HZ` unless given.

    Raises
    ------
    InputError
        If the field lies outside the range of the model.

    Notes
    -----
    As `hum_residual`: a uniform field along the coils' axes, no screening, no harmonics of the mains.
    """
    field = HUM_FIELD_T if field_t is None else field_t
    frequency = HUM_FIELD_HZ if frequency_hz is None else frequency_hz
    HUM_FIELD.check(field)
    FREQUENCY.check(frequency, whose="mains: ")
    if not any(coil.turns is not None and coil.area is not None for coil in _coils(rig).values()):
        return None
    weights, assumptions = _hum_parts(rig, np.array([frequency]))
    parts = [2 * np.pi * frequency * field * row[0] for row in weights.values()]
    whole, spread = abs(sum(parts)), sum(abs(part) for part in parts)
    mismatch = MISMATCH / 2 * spread if sum(abs(part) > 0.01 * spread for part in parts) > 1 else 0.0
    return HumVoltage(
        rms=float(whole),
        with_mismatch=float(whole + mismatch),
        field_t=field,
        frequency_hz=frequency,
        assumptions=assumptions,
    )


def position_facts(rig: Rig) -> PositionFacts:
    """Return what a rig does at its present settings: what is heard, in which phase, and how much it hums.

    Valid with every pickup given the same EMF; where strings induce unequal ones, an opposed pair cancels less.
    """
    frequency = np.array([MAINS_HZ, PHASE_HZ, 1000.0])
    hum, assumptions = _hum_parts(rig, frequency)
    string = coil_signals(rig, frequency)
    strongest = np.max([np.abs(row) for row in string.values()], axis=0) if string else np.zeros(3)
    heard = tuple(
        name
        for name, row in string.items()
        if np.any((np.abs(row[:2]) >= HEARD * strongest[:2]) & (strongest[:2] > SILENT))
    )
    at_100, at_1k = (_residual({name: complex(row[i]) for name, row in hum.items()}, assumptions) for i in (0, 2))
    whole = abs(sum(row[1] for row in string.values()))
    with np.errstate(divide="ignore"):
        level = float(20 * np.log10(whole))
    return PositionFacts(
        heard=heard,
        phase=_phase({name: string[name][1] for name in heard}),
        hum=_hum_claim(at_100, at_1k) if heard else None,
        residual=at_100,
        residual_at_1k=at_1k,
        level_db=level,
    )


def coil_signals(rig: Rig, frequency_hz: np.ndarray) -> dict[str, np.ndarray]:
    """Return the signal of each coil at the output, by ``slot.coil``, complex, shape (F,), V."""
    signals = source_signals(rig, frequency_hz)
    return {name: row for name, row in signals.items() if name.partition(".")[0] in rig.pickups}


def source_signals(rig: Rig, frequency_hz: np.ndarray) -> dict[str, np.ndarray]:
    """Return the signal of each coil, and of each other source (a piezo, a netlist's), as `coil_signals`."""
    circuit = rig.circuit
    transfers = solve(circuit, frequency_hz, per_source=True).transfer
    return {
        source.name.removesuffix(".emf"): source.voltage * row
        for source, row in zip(circuit.sources, transfers)
        if source.voltage or source.name.partition(".")[0] in rig.pickups
    }


def switch_settings(selectors: Sequence[Selector]) -> tuple[dict[str, Position], ...]:
    """Return every combination of the positions of some switches."""
    names = [selector.name for selector in selectors]
    return tuple(dict(zip(names, chosen)) for chosen in itertools.product(*(each.positions for each in selectors)))


def position_table(rig: Rig) -> tuple[tuple[str, ...], ...]:
    """Return a row of text for every combination of switch positions: place, heard, phase, hum and level.

    Knobs stay where they stand. ``POSITION_HEAD`` names the columns.
    """
    rows = []
    for settings in switch_settings(rig.harness.selectors):
        words = [f"{name} {where}" for name, where in settings.items()] if len(settings) > 1 else settings.values()
        place = ", ".join(map(str, words)) or "always"
        rows.append((place.replace("_", " "), *position_row(rig.replace(settings=settings))))
    return tuple(rows)


def position_row(rig: Rig) -> tuple[str, str, str, str]:
    """Return what is heard at the present settings, its phase, its hum and its level, in words."""
    facts = position_facts(rig)
    phase = _PHASE_WORDS[facts.phase] if facts.heard else "silent"
    return heard_words(facts.heard, rig), phase, facts.hum_words, facts.level_words


def heard_words(heard: tuple[str, ...], rig: Rig) -> str:
    """Name the pickups heard, and single coils of one as ``neck (screw coil)``.

    >>> from labkit.rig.sheet import load_rig
    >>> heard_words(("bridge.screw",), load_rig("Saltmarsh Lane, two pickups"))
    'bridge (screw coil)'
    """
    words = []
    for slot, pickup in rig.pickups.items():
        own = [coil for coil in pickup.coils if f"{slot}.{coil}" in heard]
        if len(own) == len(pickup.coils):
            words.append(slot)
        elif own:
            words.append(f"{slot} ({own[0]} coil)")
    return join_words([word.replace("_", " ") for word in words]) or "nothing"


POSITION_HEAD = ("position", "heard", "phase", "hum against one coil", "level at 400 Hz")
_PHASE_WORDS = {"in": "in phase", "out": "out of phase", "between": "between in and out", None: "one alone"}


def settings_of(rig: Rig, claim: Claim) -> tuple[dict[str, Position], ...]:
    """Return every combination of switch positions that a claim is about, with the knobs it names."""
    free = [selector for selector in rig.harness.selectors if selector.name not in claim.where]
    knobs = {knob.name: knob.default for knob in rig.harness.knobs}
    return tuple({**knobs, **claim.where, **chosen} for chosen in switch_settings(free))


def broken_claims(rig: Rig) -> tuple[str, ...]:
    """Return a sentence for every claim of a rig's harness that its pickups and parts do not keep."""
    found = []
    for claim in rig.harness.claims:
        for settings in settings_of(rig, claim):
            place = ", ".join(f"{name}={position}" for name, position in settings.items())
            facts = position_facts(rig.replace(settings=settings))
            found += [f"{rig.harness.name}, {place}: {sentence}" for sentence in _broken(claim, facts, rig)]
    return tuple(found)


def _broken(claim: Claim, facts: PositionFacts, rig: Rig) -> Iterator[str]:
    if claim.selects is not None:
        wanted = {coil for name in claim.selects for coil in _coils_meant(name, rig)}
        if wanted != set(facts.heard):
            yield (
                f"claims to select {join_words(claim.selects) or 'nothing'}; heard is "
                f"{join_words(facts.heard) or 'nothing'}"
            )
    if claim.phase is not None and claim.phase != facts.phase:
        yield f"claims the pickups {claim.phase} of phase".replace("in of", "in") + f"; they stand '{facts.phase}'"
    if claim.hum is not None and claim.hum != facts.hum:
        yield f"claims that hum {claim.hum}; it is '{facts.hum}' ({facts.hum_words})"


def _coils_meant(name: str, rig: Rig) -> tuple[str, ...]:
    slot, _, coil = name.partition(".")
    pickup = rig.pickups[slot]
    coils = (coil_of_terminal(pickup, slot, coil),) if coil else tuple(pickup.coils)
    return tuple(f"{slot}.{each}" for each in coils)


def _phase(parts: Mapping[str, complex]) -> Literal["in", "out", "between"] | None:
    """Judge pickups against the strongest; the coils of a single pickup against each other."""
    slots: dict[str, complex] = {}
    for name, value in parts.items():
        slot = name.partition(".")[0]
        slots[slot] = slots.get(slot, 0j) + value
    compared = list((slots if len(slots) > 1 else parts).values())
    if len(compared) < 2:
        return None
    strongest = max(compared, key=abs)
    angles = [abs(np.angle(value / strongest, deg=True)) for value in compared]
    return "in" if max(angles) < IN_PHASE_DEG else "out" if max(angles) > OUT_OF_PHASE_DEG else "between"


def _hum_claim(at_100: HumResidual, at_1k: HumResidual) -> HumClaim:
    if at_100.coils > 1 and at_100.with_mismatch_db <= CANCELLED_DB and at_1k.with_mismatch_db <= CANCELLED_AT_1K_DB:
        return "cancels"
    if at_100.level_db <= -LEAST_CHANGE_DB:
        return "reduces"
    return "stays" if at_100.level_db < LEAST_CHANGE_DB else "adds"


def _hum_parts(rig: Rig, frequency_hz: np.ndarray) -> tuple[dict[str, np.ndarray], tuple[str, ...]]:
    """Hum of every coil at the output, shape (F,) each, and what had to be assumed."""
    coils = _coils(rig)
    assumptions: list[str] = []
    for name, coil in coils.items():
        if coil.turns is None or coil.area is None:
            assumptions.append(f"{name}: turns × area not known, taken as equal to the others")
        if coil.wound is None:
            assumptions.append(f"{name}: winding sense not known, taken as clockwise")
    found = solve(rig.circuit, frequency_hz, per_source=True)
    heard = {name.removesuffix(".emf"): row for name, row in zip(found.sources, found.transfer)}
    return {name: _hum_weight(coil, coils) * heard[name] for name, coil in coils.items()}, tuple(assumptions)


def _residual(parts: Mapping[str, complex], assumptions: tuple[str, ...]) -> HumResidual:
    strongest = max(parts, key=lambda name: abs(parts[name]), default="")
    unit = abs(parts.get(strongest, 0.0))
    if unit == 0:
        return HumResidual(level_db=-np.inf, reference=strongest, coils=0, assumptions=assumptions)
    whole = abs(sum(parts.values())) / unit
    coils = sum(abs(part) > 0.01 * unit for part in parts.values())
    # any two coils MISMATCH apart: each half of it off, one up and the other down, which at worst adds up
    worst = whole + (MISMATCH / 2 * sum(abs(part) for part in parts.values()) / unit if coils > 1 else 0.0)
    with np.errstate(divide="ignore"):
        return HumResidual(
            level_db=float(20 * np.log10(whole)),
            reference=strongest,
            with_mismatch_db=float(20 * np.log10(worst)),
            coils=coils,
            assumptions=assumptions,
        )


def mismatch_residual_db(mismatch: float) -> float:
    """Return the hum two opposed coils leave, over one coil, when turns × area differ by a fraction ``mismatch``, dB.

    >>> round(mismatch_residual_db(0.01))
    -40
    """
    MISMATCH_RANGE.check(mismatch)
    return float(20 * np.log10(mismatch))


def phase_table() -> tuple[PhaseRow, ...]:
    """Return the four ways two pickups can stand to each other.

    >>> print(phase_table()[3])
    opposite wind, opposite magnet: in phase, hum cancels
    """
    return tuple(
        PhaseRow(same_wind=wind, same_magnet=magnet, in_phase=wind == magnet, cancels_hum=not wind)
        for wind, magnet in itertools.product((True, False), repeat=2)
    )


def _coils(rig: Rig) -> dict[str, Coil]:
    found = {f"{slot}.{name}": coil for slot, pickup in rig.pickups.items() for name, coil in pickup.coils.items()}
    for part in rig.harness.parts.values():
        if isinstance(part, DummyCoil):
            found[f"{part.name}.coil"] = part.coil
    return found


def _hum_weight(coil: Coil, coils: Mapping[str, Coil]) -> float:
    """Turns × area × sense; where unknown, the mean of the coils that are known (1 when none is)."""
    products = [c.turns * c.area for c in coils.values() if c.turns is not None and c.area is not None]
    size = coil.turns * coil.area if coil.turns is not None and coil.area is not None else None
    if size is None:
        size = sum(products) / len(products) if products else 1.0
    return -size if coil.wound == "counter-clockwise" else size


def _at_both(at_100_db: float, at_1k_db: float) -> str:
    """One figure where both frequencies agree within a decibel, else both."""
    if abs(at_100_db - at_1k_db) < 1:
        return _decibels(at_100_db)
    return f"{_decibels(at_100_db)} at 100 Hz, {_decibels(at_1k_db)} at 1 kHz"


def _decibels(level_db: float, digits: int = 0) -> str:
    text = f"{abs(level_db):.{digits}f}"
    return f"{'−' if level_db < 0 else '+'}{text} dB" if float(text) else f"{text} dB"
