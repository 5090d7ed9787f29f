"""Controls of the page of studies: what is asked, by how much parts vary, what is wanted, and what may be changed.

A kind of part shares a tolerance (`labkit.study.tolerance.kinds`); one part, a hand-picked pot say, may have one of its
own: two controls pick the part and its tolerance, and what has been picked travels in one field of the address.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from labkit.app.kit.controls import COUNT, Control, ControlSet, Group, Value
from labkit.app.kit.page_state import BOOK, BOOK_TITLE, WITHOUT, own_book_groups
from labkit.app.pages.cable.state import BAND_ENDS
from labkit.app.pages.study.work import USUAL, in_words
from labkit.catalogue import catalogue
from labkit.core.errors import InputError, did_you_mean
from labkit.rig.inputs import rig_inputs
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig
from labkit.study.questions.question import Question, QuestionInput
from labkit.study.questions.ready import QUESTIONS
from labkit.study.tolerance.kinds import CABLES, CAPACITORS, COILS, INPUTS, POTS, RESISTORS, classes_of

OWN_TOLERANCES, PART, PART_BY = "own.tol_of_part", "own.part", "own.part_by"

AS_USUAL = "usual"
PERCENT = ("0", "1", "2", "3", "5", "7", "10", "15", "20", "30")
"""Tolerances to choose from, ± %: from hand-picked parts to pots of ± 20 % and beyond (common practice, no source)."""

MOST_PARTS = 12
"""With a tolerance of their own at a time: what an address holds in its 400 characters."""

_BETWEEN, _WITHIN = ",", ";"


def parts_with_tolerance(rig: Rig) -> dict[str, str]:
    """Return the numbers of a rig that may differ from one instrument to the next, and what the bench calls them.

    Knobs are set, not bought, and a part of 0 has nothing to be a percentage of. A pickup that is predicted from its
    build varies by the causes of its doubt, not by its values.

    >>> from labkit.rig.sheet import load_rig
    >>> found = parts_with_tolerance(load_rig("Saltmarsh Lane, narrow single coil"))
    >>> found["volume.value"], found["cable.length"], "volume" in found
    ('volume pot', 'cable length', False)
    """
    built = {slot for slot, pickup in rig.pickups.items() if getattr(pickup, "made_from", None) is not None}
    return {
        name: _in_words(rig, name)
        for name, item in rig_inputs(rig).items()
        if "." in name
        and item.value > 0
        and name.partition(".")[0] not in built
        and not {_BETWEEN, _WITHIN}.intersection(name)
    }


def read_own_tolerances(rig: Rig, text: str) -> dict[str, str]:
    """Return ± % by name from the field of an address, checked.

    Raises
    ------
    InputError
        With one sentence: an unknown part, or a tolerance that is not on offer.

    >>> from labkit.rig.sheet import load_rig
    >>> read_own_tolerances(load_rig("Saltmarsh Lane, narrow single coil"), "volume.value;5,cable.length;0")
    {'volume.value': '5', 'cable.length': '0'}
    """
    known = parts_with_tolerance(rig)
    found: dict[str, str] = {}
    for entry in filter(None, text.split(_BETWEEN)):
        name, _, percent = entry.rpartition(_WITHIN)
        if name not in known:
            named = (name or percent)[:40]
            raise InputError(f"this rig has no part '{named}' that varies.{did_you_mean(named, known, listing=False)}")
        if percent not in PERCENT:
            raise InputError(f"{known[name]}: a tolerance of its own is one of ± {', '.join(PERCENT)} %")
        found[name] = percent
    if len(found) > MOST_PARTS:
        raise InputError(f"at most {MOST_PARTS} parts have a tolerance of their own; let their kind vary instead")
    return found


def write_own_tolerances(own: Mapping[str, str]) -> str:
    """Return the field of an address.

    >>> write_own_tolerances({"volume.value": "5", "cable.length": "0"})
    'cable.length;0,volume.value;5'
    """
    return _BETWEEN.join(f"{name}{_WITHIN}{percent}" for name, percent in sorted(own.items()))


def own_tolerance_controls(rig: Rig) -> tuple[Control, ...]:
    """Return the controls: which part, by how much; and the field behind them, which no page shows."""
    parts = parts_with_tolerance(rig)
    if not parts:
        return ()

    def checked(text: str) -> str:
        return write_own_tolerances(read_own_tolerances(rig, text))

    return (
        Control(key=PART, label="One part", kind="choice", positions=tuple(parts), names=tuple(parts.values())),
        Control(
            key=PART_BY,
            label="It differs by",
            kind="choice",
            positions=(AS_USUAL, *PERCENT),
            names=("as its kind", "exact", *(f"± {percent} %" for percent in PERCENT[1:])),
        ),
        Control(key=OWN_TOLERANCES, label="Parts of their own", kind="choice", positions=("",), others=checked),
    )


def own_tolerance_defaults(rig: Rig) -> dict[str, Value]:
    """Return where these controls stand at first: the first part, no tolerance of its own."""
    parts = parts_with_tolerance(rig)
    return {PART: next(iter(parts)), PART_BY: AS_USUAL, OWN_TOLERANCES: ""} if parts else {}


def with_part_by(values: Mapping[str, Value], percent: str) -> dict[str, Value]:
    """Return what a tolerance for the chosen part sets.

    Raises
    ------
    InputError
        If too many parts have one already.
    """
    own = dict(_entries(str(values[OWN_TOLERANCES])))
    own.pop(str(values[PART]), None)
    if percent != AS_USUAL:
        own[str(values[PART])] = percent
    if len(own) > MOST_PARTS:
        raise InputError(f"at most {MOST_PARTS} parts have a tolerance of their own; let their kind vary instead")
    return {OWN_TOLERANCES: write_own_tolerances(own)}


def shown_part_by(values: Mapping[str, Value]) -> dict[str, Value]:
    """Return where the tolerance of the chosen part stands."""
    if PART not in values:
        return {}
    return {PART_BY: dict(_entries(str(values[OWN_TOLERANCES]))).get(str(values[PART]), AS_USUAL)}


def own_fractions(values: Mapping[str, Value]) -> dict[str, float]:
    """Return ± fraction by name, for a study."""
    return {name: float(percent) / 100 for name, percent in _entries(str(values.get(OWN_TOLERANCES, "")))}


class PicksParts:
    """What a page that offers these controls does when one moves."""

    values: Any

    def follow(self, key: str, value: Value) -> dict[str, Value]:
        """Return what a control sets: the tolerance of the chosen part is kept with those of other parts."""
        return with_part_by(self.values, str(value)) if key == PART_BY else {key: value}

    def derived(self, values: Mapping[str, Value]) -> dict[str, Value]:
        """Return where the tolerance of the chosen part stands."""
        return shown_part_by(values)


def _entries(text: str) -> list[tuple[str, str]]:
    pairs = (entry.rpartition(_WITHIN) for entry in text.split(_BETWEEN) if entry)
    return [(name, percent) for name, _, percent in pairs]


def _in_words(rig: Rig, name: str) -> str:
    return re.sub(r"\beddy(\d+)\b", r"eddy loss \1", in_words(rig, name))


SPREAD, QUESTION, GOAL = "spread", "question", "goal"
ASK = Control(
    key="own.ask",
    label="Find out",
    kind="choice",
    positions=(SPREAD, QUESTION, GOAL),
    names=("how far parts spread", "one value", "parts for a goal"),
)

FIRST_QUESTION = "longest cable"
MOST_CHOICES = 12
"""Values that a drop-down still holds; more of them get a slider."""

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
    names=("Peak", "Peak over the bass", "Level"),
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

WANTED_PEAK = Control(
    key="own.want_peak",
    label="Peak at",
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
    label="Peak over the bass",
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
    groups += own_book_groups()
    tolerances = tuple(_tolerance(rig, name) for name in classes_of(rig))
    groups.append(Group(title="Parts differ by", controls=(*tolerances, *own_tolerance_controls(rig))))
    groups.append(
        Group(
            title="A good one",
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
    asked = [question for question in QUESTIONS.values() if question.suits(rig)]
    which = _words("own.question", "Which value", tuple(q.name for q in asked), tuple(q.asks for q in asked))
    inputs = {each.name: each for question in asked for each in question.inputs if each.label}
    fields = tuple(control for each in inputs.values() for control in _input_controls(each, rig))
    groups.append(Group(title="Find", controls=(which, *fields)))
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
        BOOK: WITHOUT,
        "own.peak_within": "5",
        "own.height_within": "any",
        "own.level_within": "any",
        "own.peak_at": ANY,
        "own.measure": "resonance",
        "own.count": "1024",
        "own.seed": 1.0,
        "own.question": FIRST_QUESTION,
        "own.want_peak": 3e3,
        "own.want_height": ANY_DB,
        "own.want_level": ANY_DB,
        "own.want_like": "nothing",
    }
    for question in QUESTIONS.values():
        for each in question.inputs if question.suits(rig) else ():
            if each.kind == "band":
                values |= dict(zip(("own.from", "own.to"), each.default))
            elif each.label:
                values[f"own.{each.name}"] = each.starts_at(rig)
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
        titles = {"Parts differ by", "A good one", "Look closer", "Knobs and switches"}
    elif ask == QUESTION:
        titles = {"Find", "Knobs and switches"}
    else:
        titles = set() if has_sheet else {"Wanted", "May be changed", "Knobs and switches"}
    question = QUESTIONS[str(values["own.question"])]
    fields = {"own.question", *question_keys(question)}
    groups = []
    for group in controls.groups:
        if group.title in ("Instrument", "Question", BOOK_TITLE):
            groups.append(group)
        elif group.title == "Find" and ask == QUESTION:
            kept = tuple(control for control in group.controls if control.key in fields)
            groups.append(Group(title=group.title, controls=kept, note=question.note))
        elif group.title in titles:
            kept = tuple(control for control in group.controls if control.key != OWN_TOLERANCES)
            groups.append(Group(title=group.title, controls=kept, note=group.note))
    return ControlSet(tuple(groups))


def question_keys(question: Question) -> tuple[str, ...]:
    """Return the keys of the controls that a question needs."""
    found: list[str] = []
    for each in question.inputs:
        if each.label:
            found += ["own.from", "own.to"] if each.kind == "band" else [f"own.{each.name}"]
    return tuple(found)


def question_arguments(question: Question, rig: Rig, values: Mapping[str, Value]) -> dict[str, Any]:
    """Return what a question's function takes from the page's controls."""
    found: dict[str, Any] = {}
    for each in question.inputs:
        if each.kind == "band":
            found[each.argument] = values["own.from"], values["own.to"]
        elif each.label:
            value = values[f"own.{each.name}"]
            chosen = each.offers(rig)[value] if each.kind == "names" else value
            found[each.argument] = load_rig(str(value)) if each.kind == "rig" else chosen
    return found


def _input_controls(asked: QuestionInput, rig: Rig) -> tuple[Control, ...]:
    if asked.kind == "band":
        return BAND_ENDS
    offered = asked.offers(rig)
    if asked.kind != "quantity":
        names = tuple(offered.values()) if isinstance(offered, Mapping) and asked.kind == "word" else ()
        return (_words(f"own.{asked.name}", asked.label, tuple(offered), names),)
    return (
        Control(
            key=f"own.{asked.name}",
            label=asked.label,
            kind="slider" if len(offered) > MOST_CHOICES else "choice",
            positions=offered,
            unit=asked.unit,
            low=asked.low,
            high=asked.high,
            bare_unit=asked.unit if asked.unit in ("m", "Hz") else "",
        ),
    )


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
