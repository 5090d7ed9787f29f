"""Questions that are asked every week, ready to be answered: one function each, with what it rests on.

Each returns a `QuestionAnswer`: the number, the nearest part that can be bought, and how well it does. Parts that an
instrument does not have yet (a load across a pickup, a capacitor before a buffer) are put in where a person would
solder them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from labkit.catalogue import catalogue
from labkit.circuit.elements import GROUND
from labkit.circuit.solve.solver import solve
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.rig.chain.chain import Cable
from labkit.rig.chain.stages import BufferBox, BypassBox
from labkit.rig.parts.parts import FixedResistor, Pot
from labkit.rig.rig import Rig
from labkit.rig.sheet import read_stage
from labkit.rig.variation import Variation
from labkit.study.measures import decibels, read_peaks
from labkit.study.questions.cable import (
    ALLOWED_DB,
    BAND_HZ,
    LINE,
    LONGEST_M,
    REFERENCE_M,
    first_cable,
    judge_cable,
    line_differences_db,
)
from labkit.study.questions.pots import largest_pot, tone_capacitor_of, tone_knobs
from labkit.study.questions.question import (
    GRID_HZ,
    Question,
    QuestionAnswer,
    QuestionInput,
    heard_slot,
    require_positive,
    shown,
)
from labkit.study.questions.winding import turns_and_wire
from labkit.study.search.goal import like
from labkit.study.search.preferred import preferred_values

FINE = 241
"""Trial values of a first scan over a range, before it is refined."""


def capacitance_for_cable(
    rig: Rig,
    *,
    length: float,
    capacitance_per_length: float = 100e-12,
    buffer: str = "pedal buffer",
    series: str = "E12",
) -> QuestionAnswer:
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
    return QuestionAnswer(
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
) -> QuestionAnswer:
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
    return QuestionAnswer(
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
        rig=turned.replace(parts={part.name: replace(part, value=stocked)}),
    )


def load_for_pots(rig: Rig, *, pots: float = 250e3, slot: str | None = None, series: str = "E12") -> QuestionAnswer:
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
    return QuestionAnswer(
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
) -> QuestionAnswer:
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
    return QuestionAnswer(
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
                "treble_end_hz": loss.minus_3db_hz,
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


LINE_LENGTHS = (5.0, 10.0, 30.0, 100.0, 300.0)


def cable_as_a_line(rig: Rig, *, moved_db: float = 0.1, longest: float = 1000.0) -> QuestionAnswer:
    """From which length on does a cable's own resistance and inductance count, beside its capacitance?

    Parameters
    ----------
    rig : Rig
        The first cable of its chain is the one asked about.
    moved_db : float, dB
        What counts, anywhere from 20 Hz to 20 kHz.
    longest : float, m
        Where the search ends.
    """
    require_positive(moved_db=moved_db, longest=longest)
    lengths = np.geomspace(1.0, longest, 41)
    moved = line_differences_db(rig, lengths.tolist())
    over = np.flatnonzero(moved > moved_db)
    rows = tuple(
        {"length_m": length, "moved_db": float(difference)}
        for length, difference in zip(LINE_LENGTHS, line_differences_db(rig, LINE_LENGTHS))
    )
    if over.size == 0:
        value = longest
        sentence = (
            f"Up to {longest:g} m its resistance and inductance move this rig's curve by less than {moved_db:g} dB."
        )
    else:
        at = int(over[0])
        value = float(
            lengths[0]
            if at == 0
            else np.exp(np.interp(moved_db, moved[at - 1 : at + 1], np.log(lengths[at - 1 : at + 1])))
        )
        sentence = (
            f"From {value:.0f} m on its resistance and inductance move this rig's curve by {moved_db:g} dB somewhere "
            "below 20 kHz; a shorter cable is its capacitance."
        )
    return QuestionAnswer(
        question="cable as a line",
        sentence=sentence,
        value=value,
        unit="m",
        rests_on=(
            f"resistance and inductance of the catalogue's '{LINE}'; the capacitance is this cable's at every length",
            "what drives and what ends the cable as the rig has them",
        ),
        rows=rows,
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


def _free_name(rig: Rig, name: str) -> str:
    while name in rig.harness.parts:
        name += "_"
    return name


_SERIES = QuestionInput(
    name="series",
    meaning="preferred values of what is in stock, E6 to E96.",
    label="Stocked in",
    kind="word",
    default="E12",
    offered=("E6", "E12", "E24"),
)
_SLOT = QuestionInput(name="slot", meaning="the pickup; the first where left out.", kind="word")
_PER_LENGTH = QuestionInput(
    name="cable",
    argument="capacitance_per_length",
    meaning="its capacitance, such as '100 pF/m'.",
    label="Its capacitance",
    unit="F/m",
    default=100e-12,
    low=1e-12,
    high=1e-9,
    offered=(50e-12, 70e-12, 85e-12, 100e-12, 120e-12, 150e-12),
)
_WIRE_STOCKS: Mapping[str, tuple[str, ...]] = {
    "AWG 42, 43 or 44 single build": tuple(f"AWG {gauge} single build" for gauge in (42, 43, 44)),
    "AWG 42, 43 or 44 heavy build": tuple(f"AWG {gauge} heavy build" for gauge in (42, 43, 44)),
    "AWG 41 to 44, both builds": tuple(
        f"AWG {gauge} {build} build" for gauge in (41, 42, 43, 44) for build in ("single", "heavy")
    ),
    "0.050, 0.056 or 0.060 mm grade 1": ("0.050 mm grade 1", "0.056 mm grade 1", "0.060 mm grade 1"),
}


def _other_rig(rig: Rig) -> str:
    names = catalogue().usable_names("rig")
    return next((name for name in names if name != rig.name), names[0])


QUESTIONS: dict[str, Question] = {
    question.name: question
    for question in (
        Question(
            name="cable equivalent",
            asks="Which capacitor before a buffer equals a cable?",
            answer="capacitance before a buffer that stands in for --length of --cable",
            function=capacitance_for_cable,
            inputs=(
                QuestionInput(
                    name="length",
                    meaning="length of the cable, such as 5m.",
                    label="Length of the cable",
                    unit="m",
                    is_needed=True,
                    low=0.01,
                    high=1000.0,
                    offered=tuple(step / 2 for step in range(1, 61)),
                    start=5.0,
                ),
                _PER_LENGTH,
                _SERIES,
            ),
            rests_on="The cable is a capacitance to ground; the buffer is the rig's own, or the pedal buffer.",
            hint="Its value for any length of cable, and the nearest that is in stock.",
            asked_by="At the repair bench",
        ),
        Question(
            name="hump",
            asks="Which tone capacitor puts the hump where it is wanted?",
            answer="tone capacitor that puts the hump at --at with the tone control at 0",
            function=tone_capacitor_for_hump,
            inputs=(
                QuestionInput(
                    name="at",
                    argument="hump_hz",
                    meaning="a frequency, such as 700 or 3k.",
                    label="Hump at",
                    unit="Hz",
                    is_needed=True,
                    low=50.0,
                    high=10e3,
                    offered=tuple(float(hertz) for hertz in (*range(200, 1000, 10), *range(1000, 3001, 100))),
                    start=500.0,
                ),
                QuestionInput(
                    name="control",
                    meaning="the tone control, as the rig calls it; tone where left out.",
                    label="With",
                    kind="word",
                    offered=lambda rig: {name: f"{name.replace('_', ' ')} at 0" for name in tone_knobs(rig)},
                ),
                _SERIES,
            ),
            rests_on="Every other part as it is; a ± 10 % capacitor moves the hump by about ∓ 5 %.",
            hint="Its value for a hump where you want it with the tone at 0, and what the nearest in stock gives.",
            asked_by="Building or winding",
            suits=lambda rig: bool(tone_knobs(rig)),
        ),
        Question(
            name="load resistor",
            asks="Which load stands in for smaller pots?",
            answer="resistor across a pickup that stands in for --pots",
            function=load_for_pots,
            inputs=(
                QuestionInput(
                    name="pots",
                    meaning="the pots it shall seem to have, such as 250k.",
                    label="Pots it should seem to have",
                    unit="Ω",
                    default=250e3,
                    low=1e3,
                    high=10e6,
                    offered=(100e3, 250e3, 300e3, 500e3),
                    start=lambda rig: 100e3 if largest_pot(rig) <= 250e3 else 250e3,
                ),
                _SLOT,
                _SERIES,
            ),
            rests_on="The controls stand as set; turned down, a fixed load and a pot part ways.",
            hint="One resistor across the pickup, and by how much the curves still differ.",
            asked_by="At the repair bench",
            suits=lambda rig: largest_pot(rig) > 0,
        ),
        Question(
            name="turns and wire",
            asks="How many turns of which wire sound like that rig?",
            answer="turns and --wire (several) of a built pickup that sound like --like",
            function=turns_and_wire,
            inputs=(
                QuestionInput(
                    name="like",
                    argument="target",
                    meaning="the rig it shall sound like.",
                    label="Sound like",
                    kind="rig",
                    is_needed=True,
                    offered=lambda rig: catalogue().usable_names("rig"),
                    start=_other_rig,
                ),
                QuestionInput(
                    name="wire",
                    argument="wires",
                    meaning="a stocked wire; several times.",
                    label="Wire in stock",
                    kind="names",
                    is_needed=True,
                    offered=_WIRE_STOCKS,
                ),
                _SLOT,
            ),
            rests_on="Bobbin, poles and magnets as on the build sheet; builds that do not fit the bobbin are left out.",
            found="Wind",
            counts="turns",
            note="Asked of a pickup that is predicted from its build: choose one above, or bring one from the page "
            "“Winding”.",
        ),
        Question(
            name="cable as a line",
            asks="When does a cable count as more than its capacitance?",
            answer="length from which on a cable's resistance and inductance move the curve by --moved",
            function=cable_as_a_line,
            inputs=(
                QuestionInput(
                    name="moved",
                    argument="moved_db",
                    meaning="what counts, anywhere below 20 kHz; 0.1 dB unless given.",
                    label="What counts",
                    unit="dB",
                    default=0.1,
                    low=0.001,
                    high=20.0,
                    offered=(0.05, 0.1, 0.5, 1.0),
                ),
            ),
            rests_on="Resistance and inductance of a usual instrument cable; the capacitance is the rig's own.",
            found="From",
            suits=lambda rig: first_cable(rig) is not None,
        ),
        Question(
            name="longest cable",
            asks="How long may the cable be?",
            answer="longest cable that loses no more than --loss anywhere in --band against --reference",
            function=longest_cable,
            inputs=(
                QuestionInput(
                    name="loss",
                    argument="loss_db",
                    meaning=f"the largest loss allowed anywhere in the band, {ALLOWED_DB:g} dB unless given.",
                    label="It may lose at most",
                    unit="dB",
                    default=ALLOWED_DB,
                    low=0.01,
                    high=40.0,
                    offered=(0.5, 1.0, 2.0, 3.0, 6.0),
                ),
                QuestionInput(
                    name="band",
                    argument="band_hz",
                    meaning="where the loss is judged, '2k to 5k' unless given.",
                    label="Judged",
                    kind="band",
                    unit="Hz",
                    default=BAND_HZ,
                ),
                QuestionInput(
                    name="reference",
                    meaning=f"the cable judged against, {REFERENCE_M:g}m unless given; 0m is no cable.",
                    label="Against a cable of",
                    unit="m",
                    default=REFERENCE_M,
                    low=0.0,
                    high=99.0,
                    offered=(0.0, 1.0, 3.0, 5.0),
                ),
                replace(_PER_LENGTH, label=""),
            ),
            found="Longest cable",
            found_note="on the terms below",
            is_soldered=False,
            rests_on="Controls and input as set; the cable's own capacitance per metre, which spreads by about ±10 %.",
        ),
    )
}
"""Every ready question by its name; a question is added here and nowhere else."""
