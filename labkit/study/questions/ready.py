"""Questions that are asked every week, ready to be answered: one function each, with what it rests on.

Each returns an `Answer`: the number, the nearest part that can be bought, and how well it does. Parts that an
instrument does not have yet (a load across a pickup, a capacitor before a buffer) are put in where a person would
solder them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from labkit.circuit.elements import GROUND
from labkit.circuit.solve.solver import solve
from labkit.core.errors import InputError, did_you_mean, join_words
from labkit.core.grid import frequency_grid
from labkit.core.sheet import Table
from labkit.core.units import format_quantity
from labkit.rig.chain.chain import Cable
from labkit.rig.chain.stages import BufferBox, BypassBox
from labkit.rig.parts.parts import FixedCapacitor, FixedResistor, Part, Pot
from labkit.rig.rig import Rig
from labkit.rig.sheet import read_stage
from labkit.rig.variation import Variation
from labkit.study.measures import decibels, read_peaks
from labkit.study.questions.cable import ALLOWED_DB, BAND_HZ, LONGEST_M, REFERENCE_M, first_cable, judge_cable
from labkit.study.search.goal import like
from labkit.study.search.preferred import preferred_values

GRID_HZ = frequency_grid(50.0, 20_000.0, 256)
FINE = 241
"""Trial values of a first scan over a range, before it is refined."""

SILENCE = 1e-6
"""Gain at 1 kHz below which a pickup counts as switched off; an open contact or a volume at 0 leaves far less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The answer to a ready question.

    Attributes
    ----------
    question : str
    sentence : str
        The answer in words.
    value : float
        In ``unit``.
    unit : str
    stocked : float or None
        Nearest preferred value.
    left_db : float or None
        What is still different: root mean square over 80 Hz to 8 kHz after matching levels, with the stocked value.
    rests_on : tuple of str
        What was assumed.
    rows : tuple of mapping
        Alternatives or a table, SI with the unit in the key.
    rig : Rig or None
        The rig with the answer built in: the stocked value where there is one.
    """

    question: str
    sentence: str
    value: float
    unit: str
    stocked: float | None = None
    left_db: float | None = None
    rests_on: tuple[str, ...] = ()
    rows: tuple[dict[str, Any], ...] = field(default=())
    rig: Rig | None = field(default=None, repr=False, compare=False)


def capacitance_for_cable(
    rig: Rig,
    *,
    length: float,
    capacitance_per_length: float = 100e-12,
    buffer: str = "pedal buffer",
    series: str = "E12",
) -> Answer:
    """How much capacitance before a buffer stands in for a cable? C = n·C′ + C_input − C_buffer, by least difference.

    Parameters
    ----------
    rig : Rig
        Instrument and last input; cables and boxes between are left out.
    length : float, m
    capacitance_per_length : float, F/m
    buffer : str
        A buffer of the catalogue, used where the rig has none.
    series : str
        Preferred values for the stocked one.
    """
    require_positive(length=length, capacitance_per_length=capacitance_per_length)
    last = rig.chain[-1:] if rig.chain else ()
    boxes = [stage for stage in rig.chain if isinstance(stage, BufferBox)]
    box = boxes[0] if boxes else read_stage("buffer", "buffer", Table({"kind": "buffer", "use": buffer}, "buffer"))
    wanted = rig.replace(
        chain=(Cable(name="cable", length=length, capacitance_per_length=capacitance_per_length), *last)
    )
    made = rig.replace(chain=(BypassBox(name="added", capacitance=1e-10), box, *last))
    high = 2 * (length * capacitance_per_length + 1e-9)
    value, stocked, left = _nearest(made, "added.capacitance", (0.0, high), wanted, series)
    return Answer(
        question="cable equivalent",
        sentence=(
            f"{shown(value, 'F')} from the signal to ground before the buffer stand in for {length:g} m of cable at "
            f"{shown(capacitance_per_length, 'F/m')}; the nearest {series} value is {shown(stocked, 'F')}, and the "
            f"curves then differ by {left:.2f} dB."
        ),
        value=value,
        unit="F",
        stocked=stocked,
        left_db=left,
        rests_on=(
            f"the cable would end in {last[0].name if last else 'nothing'}",
            f"the buffer has {shown(box.stage.input_resistance, 'Ω')} and {shown(box.stage.input_capacitance, 'F')}"
            if isinstance(box, BufferBox)
            else "the buffer of the rig",
        ),
        rig=made.with_stage(BypassBox(name="added", capacitance=stocked)),
    )


def tone_capacitor_for_hump(
    rig: Rig, *, hump_hz: float, control: str = "tone", position: float = 0.0, series: str = "E12"
) -> Answer:
    """Which tone capacitor puts the hump at a wanted frequency, with the tone control at a position?

    Parameters
    ----------
    rig : Rig
    hump_hz : float, Hz
    control : str
        Knob of the tone control.
    position : float
        0 … 10.
    """
    require_positive(hump_hz=hump_hz)
    part = tone_capacitor_of(rig, control)
    turned = rig.replace(settings={control: position})
    low, high = 100e-12, 1e-6
    trial = np.geomspace(low, high, FINE)
    hump = _humps(turned, f"{part.name}.value", trial)
    value = _crossing(np.log(trial), hump - hump_hz)
    if value is None:
        known = hump[np.isfinite(hump)]
        span = f"{known.min():.0f} Hz to {known.max():.0f} Hz" if known.size else "no hump at all"
        raise InputError(
            f"no capacitor from {shown(low, 'F')} to {shown(high, 'F')} puts the hump at {hump_hz:g} Hz; "
            f"at {control} {position:g} they give {span}"
        )
    value = float(np.exp(value))
    choices = preferred_values(series, max(value / 4, 1e-12), value * 4)
    rows = _humps(turned, f"{part.name}.value", np.array(choices))
    stocked = min(choices, key=lambda choice: abs(math.log(choice / value)))
    at = float(rows[choices.index(stocked)])
    return Answer(
        question="hump",
        sentence=(
            f"A tone capacitor of {shown(value, 'F')} puts the hump at {hump_hz:g} Hz with {control} at {position:g}; "
            f"the nearest {series} value, {shown(stocked, 'F')}, puts it at {at:.0f} Hz."
        ),
        value=value,
        unit="F",
        stocked=stocked,
        rests_on=(f"'{part.name}' of the harness '{rig.harness.name}'; a ± 10 % part moves the hump by about ∓ 5 %",),
        rows=tuple(
            {"capacitance_f": choice, "hump_hz": float(found) if np.isfinite(found) else None}
            for choice, found in zip(choices, rows)
        ),
        rig=turned.replace(parts={part.name: replace(part, value=stocked)}),  # type: ignore[call-arg]
    )


def heard_slot(rig: Rig, slot: str | None = None) -> str:
    """Return the slot that a question is about: the one asked for, or the first that is heard at the settings.

    Raises
    ------
    InputError
        If there is no such slot, or it is switched off: nothing that is changed there would reach the output.
    """
    if slot is not None and slot not in rig.pickups:
        raise InputError(f"rig '{rig.name}' has no pickup '{slot}'.{did_you_mean(slot, rig.pickups)}")
    at = np.array([1000.0])
    heard = [name for name in rig.pickups if abs(rig.evaluate(at, source=name)[0]) > SILENCE]
    if slot is None and heard:
        return heard[0]
    if slot is None or slot not in heard:
        which = f"'{slot}'" if heard else "no pickup"
        others = f"; {join_words(heard)} does" if heard else ""
        raise InputError(
            f"{which} of rig '{rig.name}' {'does not reach' if heard else 'reaches'} the output at these settings"
            f"{others}; set its switches and volumes first"
        )
    return slot


def load_for_pots(rig: Rig, *, pots: float = 250e3, slot: str | None = None, series: str = "E12") -> Answer:
    """Which resistor across a pickup makes it behave as it would on other (smaller) pots?

    Parameters
    ----------
    rig : Rig
        With the pots it has.
    pots : float, Ω
        The pots it should seem to have, all of them.
    slot : str, optional
        The pickup; the first one that is heard where left out.
    """
    require_positive(pots=pots)
    slot = heard_slot(rig, slot)
    owned = [part for part in rig.harness.parts.values() if isinstance(part, Pot)]
    if not owned or all(part.value <= pots for part in owned):
        raise InputError(
            f"the pots of '{rig.name}' are no larger than {shown(pots, 'Ω')}; a load can only stand in for smaller ones"
        )
    hot = f"{slot}.hot"
    if hot not in rig.harness.terminals:
        raise InputError(f"the harness '{rig.harness.name}' rewires the coils of '{slot}'; it has no single hot lead")
    wanted = rig.replace(parts={part.name: replace(part, value=min(part.value, pots)) for part in owned})
    name = _free_name(rig, "load")
    loaded = replace(
        rig.harness,
        parts={**rig.harness.parts, name: FixedResistor(name=name, nodes=(hot, GROUND), value=1e6)},
    )
    made = rig.replace(harness=loaded)
    value, stocked, left = _nearest(made, f"{name}.value", (1e4, 1e7), wanted, series)
    return Answer(
        question="load resistor",
        sentence=(
            f"{shown(value, 'Ω')} across '{slot}' make it behave as on {shown(pots, 'Ω')} pots at these settings; with "
            f"the nearest {series} value, {shown(stocked, 'Ω')}, the curves differ by {left:.2f} dB."
        ),
        value=value,
        unit="Ω",
        stocked=stocked,
        left_db=left,
        rests_on=("the controls stand as set; turned down, a fixed load and a pot part ways",),
        rig=made.replace(parts={name: FixedResistor(name=name, nodes=(hot, GROUND), value=stocked)}),
    )


def longest_cable(
    rig: Rig,
    *,
    loss_db: float = ALLOWED_DB,
    band_hz: tuple[float, float] = BAND_HZ,
    reference: float = REFERENCE_M,
    capacitance_per_length: float = 100e-12,
    longest: float = LONGEST_M,
) -> Answer:
    """How long may the cable be before it loses more than ``loss_db`` anywhere in a band, against a shorter one?

    What `labkit.study.questions.cable.judge_cable` finds, as an answer: its rows are the reference, the present
    length and the longest, each with its treble end and with its mean and its worst loss over the band.

    Parameters
    ----------
    rig : Rig
        The first cable of its chain is the one asked about; a cable before everything else where it has none.
    loss_db : float, dB
        Largest loss anywhere inside the band, above 0.
    band_hz : tuple of float, Hz
        Lower and upper end.
    reference : float, m
        The length judged against; 0 is no cable between the plugs.
    capacitance_per_length : float, F/m
        Where the rig has no cable.
    longest : float, m
        Where the search ends.
    """
    require_positive(capacitance_per_length=capacitance_per_length, longest=longest)
    cable = first_cable(rig)
    if cable is None:
        cable = Cable(name="cable", length=reference, capacitance_per_length=capacitance_per_length)
        rig = rig.replace(chain=(cable, *rig.chain))
    judged = judge_cable(rig, allowed_db=loss_db, band_hz=band_hz, reference=reference, search_to=longest)
    return Answer(
        question="longest cable",
        sentence=f"{judged.answer} {judged.elsewhere}".strip(),
        value=judged.longest.length,
        unit="m",
        rests_on=(
            f"this cable's {shown(cable.capacitance_per_length, 'F/m')}; makers' figures spread by about ±10 %",
            "controls and input as set; plugs of the cable counted at every length",
            "mean loss: of the decibels, every octave of the band alike; treble end: 3 dB under the level at 100 Hz",
        ),
        rows=tuple(
            {
                "cable": name,
                "length_m": loss.length,
                "treble_end_hz": loss.treble_end_hz,
                "mean_loss_db": loss.band.mean_db,
                "worst_loss_db": loss.band.worst_db,
            }
            for name, loss in (
                ("reference", judged.reference),
                ("present", judged.present),
                ("longest", judged.longest),
            )
        ),
        rig=rig.with_stage(replace(cable, length=judged.longest.length)),
    )


def _nearest(rig: Rig, name: str, span: tuple[float, float], wanted: Rig, series: str) -> tuple[float, float, float]:
    """Value of one number that brings a rig nearest to another, the nearest preferred value, and what is left, dB."""
    from scipy.optimize import minimize_scalar

    variation = Variation(rig, {name: span})
    aim = like(wanted, GRID_HZ)

    def distances(values: np.ndarray) -> np.ndarray:
        transfer = solve(variation.circuit, GRID_HZ, variation.values({name: values})).transfer
        return aim.values(GRID_HZ, decibels(transfer))

    low, high = span
    trial = np.geomspace(low, high, FINE) if low > 0 else np.linspace(low, high, FINE)
    found = distances(trial)
    best = int(np.argmin(found))
    ends = (trial[max(best - 1, 0)], trial[min(best + 1, FINE - 1)])
    refined = minimize_scalar(
        lambda value: float(distances(np.array([value]))[0]),
        bounds=ends,
        method="bounded",
        options={"xatol": 1e-5 * (ends[1] - ends[0])},
    )
    value = float(refined.x)
    choices = np.array(preferred_values(series, max(value / 2, 1e-12), max(value * 2, 1e-11)))
    left = distances(choices)
    at = int(np.argmin(left))
    return value, float(choices[at]), float(left[at])


def _humps(rig: Rig, name: str, values: np.ndarray) -> np.ndarray:
    """Resonance for values of one number, Hz; NaN where there is no peak."""
    variation = Variation(rig, {name: (float(values.min()), float(values.max()))})
    levels = decibels(solve(variation.circuit, GRID_HZ, variation.values({name: values})).transfer)
    return read_peaks(GRID_HZ, levels)[0]


def _crossing(x: np.ndarray, y: np.ndarray) -> float | None:
    """Where y falls through 0, interpolated; None where it does not."""
    changes = np.flatnonzero(np.isfinite(y[:-1]) & np.isfinite(y[1:]) & (y[:-1] >= 0) & (y[1:] < 0))
    if not changes.size:
        return None
    at = int(changes[0])
    return float(x[at] + (x[at + 1] - x[at]) * y[at] / (y[at] - y[at + 1]))


def tone_capacitor_of(rig: Rig, control: str) -> Part:
    """Return the capacitor that shares a node with the pot of a tone control, its own side of it.

    Raises
    ------
    InputError
        If there is no such control, or it has no capacitor.
    """
    rig.harness.control(control)
    pots = [part for part in rig.harness.parts.values() if part.control is not None and part.control.name == control]
    nodes = {node for pot in pots for node in pot.joints} - {GROUND, rig.harness.output}
    nodes = {node for node in nodes if "." not in node}
    found = [
        part
        for part in rig.harness.parts.values()
        if isinstance(part, FixedCapacitor) and nodes.intersection(part.nodes)
    ]
    if not found:
        raise InputError(f"the harness '{rig.harness.name}' has no capacitor on the control '{control}'")
    return found[0]


def _free_name(rig: Rig, name: str) -> str:
    while name in rig.harness.parts:
        name += "_"
    return name


def require_positive(**values: float) -> None:
    for name, value in values.items():
        if not 0 < value < math.inf:
            raise InputError(f"{name.replace('_', ' ')} must be above 0; got {value:g}")


def shown(value: float, unit: str) -> str:
    return format_quantity(value, unit, digits=3)
