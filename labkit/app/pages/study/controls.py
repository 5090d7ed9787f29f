"""Controls of the page of studies: what is asked, by how much parts vary, what is wanted, and what may be changed."""

from __future__ import annotations

from labkit.app.kit.controls import COUNT, Control, ControlSet, Group, Value, log_positions
from labkit.app.pages.cable.state import BAND_ENDS
from labkit.app.pages.study.parts import OWN_TOLERANCES, own_tolerance_controls, own_tolerance_defaults
from labkit.app.pages.study.work import CABLES, CAPACITORS, COILS, INPUTS, POTS, RESISTORS, USUAL, classes_of
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.rig.parts.parts import Pot
from labkit.rig.rig import Rig
from labkit.study.questions.cable import ALLOWED_DB, BAND_HZ, REFERENCE_M

SPREAD, QUESTION, GOAL = "spread", "question", "goal"
ASK = Control(
    key="own.ask",
    label="Find out",
    kind="choice",
    positions=(SPREAD, QUESTION, GOAL),
    names=("how far parts spread", "one value", "parts for a goal"),
)

ANY = 0.0
"""Position "any" of a wanted frequency."""

ANY_DB = -100.0
"""Position "any" of a wanted height."""

_CLASS_WORDS = {
    COILS: "Coils",
    POTS: "Pots",
    CAPACITORS: "Capacitors",
    RESISTORS: "Other parts inside",
    CABLES: "Cables",
    INPUTS: "Inputs and boxes",
}
_PARTS_IN_100 = ("0", "1", "2", "3", "5", "7", "10", "15", "20", "30")

QUESTIONS: dict[str, tuple[str, tuple[str, ...]]] = {
    "longest cable": ("How long may the cable be?", ("own.loss", "own.from", "own.to", "own.reference")),
    "cable equivalent": ("Which capacitor before a buffer equals a cable?", ("own.length", "own.per_length")),
    "hump": ("Which tone capacitor puts the hump there?", ("own.tone", "own.hump")),
    "load resistor": ("Which load stands in for smaller pots?", ("own.pots",)),
    "turns and wire": ("How many turns of which wire sound like that rig?", ("own.like", "own.wires")),
}
"""Ready questions: how the page puts them, and the fields each needs. Those about values also take a series."""

WINDING = "turns and wire"
ABOUT_WINDING = (
    "Asked of a pickup that is predicted from its build: choose one above, or bring one from the page “Winding”."
)
_WITH_SERIES = ("cable equivalent", "hump", "load resistor")

WIRES: dict[str, tuple[str, ...]] = {
    "AWG 42, 43 or 44 single build": tuple(f"AWG {gauge} single build" for gauge in (42, 43, 44)),
    "AWG 42, 43 or 44 heavy build": tuple(f"AWG {gauge} heavy build" for gauge in (42, 43, 44)),
    "AWG 41 to 44, both builds": tuple(
        f"AWG {gauge} {build} build" for gauge in (41, 42, 43, 44) for build in ("single", "heavy")
    ),
    "0.050, 0.056 or 0.060 mm grade 1": ("0.050 mm grade 1", "0.056 mm grade 1", "0.060 mm grade 1"),
}
"""Stocks of wire to choose from."""

SAME = "as it is"
VARY_POTS: dict[str, tuple[str, ...]] = {
    "250 or 500 kΩ": ("250 kΩ", "500 kΩ"),
    "250 kΩ, 500 kΩ or 1 MΩ": ("250 kΩ", "500 kΩ", "1 MΩ"),
}
VARY_CAPACITORS: dict[str, tuple[str, str, str]] = {
    "E6, 100 pF to 100 nF": ("E6", "100 pF", "100 nF"),
    "E12, 100 pF to 100 nF": ("E12", "100 pF", "100 nF"),
}
VARY_RESISTORS: dict[str, tuple[str, str, str]] = {
    "E6, 10 kΩ to 10 MΩ": ("E6", "10 kΩ", "10 MΩ"),
    "E12, 10 kΩ to 10 MΩ": ("E12", "10 kΩ", "10 MΩ"),
}
VARY_CABLES: dict[str, tuple[str, str]] = {
    "1 to 3 m": ("1 m", "3 m"),
    "3 to 6 m": ("3 m", "6 m"),
    "1 to 10 m": ("1 m", "10 m"),
}
ANY_PICKUP = "any of the catalogue"


def _words(key: str, label: str, positions: tuple[str, ...], names: tuple[str, ...] = ()) -> Control:
    return Control(key=key, label=label, kind="choice", positions=positions, names=names)


MEASURE = Control(
    key="own.measure",
    label="Causes of",
    kind="switch",
    positions=("resonance", "height", "level"),
    names=("Peak place", "Peak height", "Level"),
)
COUNT_OF_DRAWS = _words(
    "own.count",
    "Instruments drawn",
    ("256", "1024", "4096", "16384", "65536", "262144"),
    ("256", "1024", "4096", "16 384", "65 536", "262 144"),
)
SEED = Control(
    key="own.seed", label="Draw number", kind="choice", positions=(1.0, 2.0, 3.0, 4.0, 5.0), unit=COUNT, low=0, high=1e6
)
SERIES = _words("own.series", "Stocked in", ("E6", "E12", "E24"))

_FIELDS: tuple[Control, ...] = (
    Control(
        key="own.loss",
        label="It may lose at most",
        kind="choice",
        positions=(0.5, 1.0, 2.0, 3.0, 6.0),
        unit="dB",
        low=0.01,
        high=40,
    ),
    *BAND_ENDS,
    Control(
        key="own.reference",
        label="Against a cable of",
        kind="choice",
        positions=(0.0, 1.0, 3.0, 5.0),
        unit="m",
        low=0.0,
        high=30.0,
        bare_unit="m",
    ),
    Control(
        key="own.length",
        label="Length of the cable",
        kind="slider",
        positions=tuple(step / 2 for step in range(1, 61)),
        unit="m",
        low=0.1,
        high=100.0,
        bare_unit="m",
    ),
    Control(
        key="own.per_length",
        label="Its capacitance",
        kind="choice",
        positions=(50e-12, 70e-12, 85e-12, 100e-12, 120e-12, 150e-12),
        unit="F/m",
        low=1e-12,
        high=1e-9,
    ),
    Control(
        key="own.hump",
        label="Hump at",
        kind="slider",
        positions=log_positions(200.0, 3000.0, tuple(round(1 + 0.1 * step, 1) for step in range(90))),
        unit="Hz",
        low=50.0,
        high=10e3,
        bare_unit="Hz",
    ),
    Control(
        key="own.pots",
        label="Pots it should seem to have",
        kind="choice",
        positions=(100e3, 250e3, 300e3, 500e3),
        unit="Ω",
        low=1e3,
        high=10e6,
    ),
    _words("own.wires", "Wire in stock", tuple(WIRES)),
)

WANTED_PEAK = Control(
    key="own.want_peak",
    label="Peak sits at",
    kind="choice",
    positions=(ANY, 2e3, 2.5e3, 3e3, 3.5e3, 4e3, 5e3, 6e3),
    names=("anywhere", "2 kHz", "2.5 kHz", "3 kHz", "3.5 kHz", "4 kHz", "5 kHz", "6 kHz"),
    unit="Hz",
    low=ANY,
    high=20e3,
    bare_unit="Hz",
)
WANTED_HEIGHT = Control(
    key="own.want_height",
    label="Peak stands at",
    kind="choice",
    positions=(ANY_DB, 0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0),
    names=("any height", *(f"{level} dB" for level in ("0", "+1", "+2", "+3", "+4", "+5", "+6", "+8", "+10"))),
    unit="dB",
    low=ANY_DB,
    high=40.0,
)
WANTED_LEVEL = Control(
    key="own.want_level",
    label="Level at 100 Hz",
    kind="choice",
    positions=(ANY_DB, -6.0, -3.0, -2.0, -1.0, -0.5, 0.0),
    names=("any level", "−6 dB", "−3 dB", "−2 dB", "−1 dB", "−0.5 dB", "0 dB"),
    unit="dB",
    low=ANY_DB,
    high=40.0,
)
PEAK_AT = Control(
    key="own.peak_at",
    label="Peak at",
    kind="choice",
    positions=(ANY, 2e3, 2.5e3, 3e3, 3.5e3, 4e3, 5e3, 6e3),
    names=("as planned", "2 kHz", "2.5 kHz", "3 kHz", "3.5 kHz", "4 kHz", "5 kHz", "6 kHz"),
    unit="Hz",
    low=ANY,
    high=20e3,
    bare_unit="Hz",
)


def page_controls(rig: Rig, offered: ControlSet) -> ControlSet:
    """Return every control of the page for a rig; `visible` keeps those that the present question needs."""
    pickups = tuple(offered[slot] for slot in rig.pickups if slot in offered)
    groups = [Group(title="Instrument", controls=(offered["rig"], *pickups)), Group(title="Question", controls=(ASK,))]
    tolerances = tuple(_tolerance(rig, name) for name in classes_of(rig))
    groups.append(Group(title="Parts differ by", controls=(*tolerances, *own_tolerance_controls(rig))))
    groups.append(
        Group(
            title="A good one has its",
            controls=(
                PEAK_AT,
                _words(
                    "own.peak_within",
                    "Peak within",
                    ("any", "1", "2", "3", "5", "10"),
                    ("any distance", *(f"± {n} %" for n in ("1", "2", "3", "5", "10"))),
                ),
                _words(
                    "own.height_within",
                    "Height within",
                    ("any", "0.5", "1", "2"),
                    ("any distance", "± 0.5 dB", "± 1 dB", "± 2 dB"),
                ),
                _words(
                    "own.level_within",
                    "Level within",
                    ("any", "0.1", "0.5", "1"),
                    ("any distance", "± 0.1 dB", "± 0.5 dB", "± 1 dB"),
                ),
            ),
            note="Height and level: of the rig as planned.",
        )
    )
    groups.append(Group(title="Look closer", controls=(MEASURE, COUNT_OF_DRAWS, SEED)))
    questions = tuple(name for name in QUESTIONS if _can_be_asked(rig, name))
    fields = [field for field in _FIELDS if any(field.key in QUESTIONS[name][1] for name in questions)]
    if "hump" in questions:
        fields.insert(
            0,
            _words(
                "own.tone", "With", tone_knobs(rig), tuple(f"{name.replace('_', ' ')} at 0" for name in tone_knobs(rig))
            ),
        )
    if WINDING in questions:
        fields.insert(0, _words("own.like", "Sound like", catalogue().usable_names("rig")))
    asked = _words("own.question", "Which value", questions, tuple(QUESTIONS[name][0] for name in questions))
    groups.append(Group(title="Find", controls=(asked, *fields, SERIES), note=ABOUT_WINDING))
    groups.append(
        Group(
            title="Wanted",
            controls=(
                WANTED_PEAK,
                WANTED_HEIGHT,
                WANTED_LEVEL,
                _words("own.want_like", "Sounds like", ("nothing", *catalogue().usable_names("rig"))),
            ),
        )
    )
    groups.append(Group(title="May be changed", controls=_freedoms(rig)))
    groups += [group for group in offered.groups if group.title in ("Knobs and switches",)]
    return ControlSet(tuple(group for group in groups if group.controls))


def own_defaults(rig: Rig) -> dict[str, Value]:
    """Return where the page's own controls stand at first."""
    values: dict[str, Value] = {f"own.tol_{name}": USUAL for name in classes_of(rig)}
    values |= own_tolerance_defaults(rig)
    values |= {
        "own.ask": SPREAD,
        "own.peak_within": "5",
        "own.height_within": "any",
        "own.level_within": "any",
        "own.peak_at": ANY,
        "own.measure": "resonance",
        "own.count": "1024",
        "own.seed": 1.0,
        "own.question": "longest cable",
        "own.series": "E12",
        "own.loss": ALLOWED_DB,
        "own.from": BAND_HZ[0],
        "own.to": BAND_HZ[1],
        "own.reference": REFERENCE_M,
        "own.length": 5.0,
        "own.per_length": 100e-12,
        "own.want_peak": 3e3,
        "own.want_height": ANY_DB,
        "own.want_level": ANY_DB,
        "own.want_like": "nothing",
    }
    if _can_be_asked(rig, "hump"):
        values |= {"own.hump": 500.0, "own.tone": tone_knobs(rig)[0]}
    if _can_be_asked(rig, "load resistor"):
        values["own.pots"] = 100e3 if largest_pot(rig) <= 250e3 else 250e3
    if _can_be_asked(rig, WINDING):
        names = catalogue().usable_names("rig")
        values |= {
            "own.wires": next(iter(WIRES)),
            "own.like": next((name for name in names if name != rig.name), names[0]),
        }
    for control in _freedoms(rig):
        values[control.key] = control.positions[0]
    if "own.free_pots" in values:
        values["own.free_pots"] = "250 kΩ, 500 kΩ or 1 MΩ"
    if "own.free_cables" in values:
        values["own.free_cables"] = "1 to 10 m"
    return values


def visible(controls: ControlSet, values: dict[str, Value], *, has_sheet: bool) -> ControlSet:
    """Return the controls that the present question needs; a goal from a sheet has its own targets."""
    ask = values["own.ask"]
    if ask == SPREAD:
        titles = {"Parts differ by", "A good one has its", "Look closer", "Knobs and switches"}
    elif ask == QUESTION:
        titles = {"Find", "Knobs and switches"}
    else:
        titles = set() if has_sheet else {"Wanted", "May be changed", "Knobs and switches"}
    question = str(values["own.question"])
    fields = {"own.question", *QUESTIONS[question][1], *(("own.series",) if question in _WITH_SERIES else ())}
    groups = []
    for group in controls.groups:
        if group.title in ("Instrument", "Question"):
            groups.append(group)
        elif group.title == "Find" and ask == QUESTION:
            kept = tuple(control for control in group.controls if control.key in fields)
            groups.append(Group(title=group.title, controls=kept, note=group.note if question == WINDING else ""))
        elif group.title in titles:
            kept = tuple(control for control in group.controls if control.key != OWN_TOLERANCES)
            groups.append(Group(title=group.title, controls=kept, note=group.note))
    return ControlSet(tuple(groups))


def tone_knobs(rig: Rig) -> tuple[str, ...]:
    """Return the knobs that have a tone capacitor."""
    from labkit.study.questions.ready import tone_capacitor_of

    found = []
    for knob in rig.harness.knobs:
        try:
            tone_capacitor_of(rig, knob.name)
        except InputError:
            continue
        found.append(knob.name)
    return tuple(found)


def largest_pot(rig: Rig) -> float:
    """Return the value of the largest pot, Ω; 0 where there is none."""
    return max((part.value for part in rig.harness.parts.values() if isinstance(part, Pot)), default=0.0)


def _can_be_asked(rig: Rig, question: str) -> bool:
    if question == "hump":
        return bool(tone_knobs(rig))
    if question == "load resistor":
        return largest_pot(rig) > 0
    return bool(rig.pickups)


def _tolerance(rig: Rig, name: str) -> Control:
    # a pickup of the rig may be exchanged for one that is predicted from its build, whose doubt has no one number
    usual = "as usual" if name == COILS else f"as usual{_usual_of(rig, name)}"
    names = (usual, "exact", *(f"± {part} %" for part in _PARTS_IN_100[1:]))
    return _words(f"own.tol_{name}", _CLASS_WORDS[name], (USUAL, *_PARTS_IN_100), names)


def _usual_of(rig: Rig, name: str) -> str:
    spreads = [spread for spread in classes_of(rig)[name] if not spread.name.endswith(".capacitance") or name != COILS]
    parts = {
        round(100 * (spread.high - spread.low) / (spread.high + spread.low), 3)
        for spread in spreads
        if spread.low + spread.high > 0
    }
    return f", ± {parts.pop():g} %" if len(parts) == 1 else ""


def _freedoms(rig: Rig) -> tuple[Control, ...]:
    kinds = {part.kind for part in rig.harness.parts.values()}
    found = []
    if rig.pickups and catalogue().usable_names("pickup"):
        found.append(_words("own.free_pickup", "Pickup that is heard", (SAME, ANY_PICKUP)))
    if "pot" in kinds:
        found.append(_words("own.free_pots", "Pots", (SAME, *VARY_POTS)))
    if "capacitor" in kinds:
        found.append(_words("own.free_capacitors", "Capacitors", (SAME, *VARY_CAPACITORS)))
    if "resistor" in kinds:
        found.append(_words("own.free_resistors", "Resistors", (SAME, *VARY_RESISTORS)))
    if any(stage.kind == "cable" for stage in rig.chain):
        found.append(_words("own.free_cables", "Cables", (SAME, *VARY_CABLES)))
    return tuple(found)
