"""What a listening test compares: two setups, a take, a number of trials; frozen, and written into an address.

The two setups are the present rig and the first pin of the rig page's own address, so that a pinned rig arrives
here ready to be compared, and goes back the same way.
"""

from __future__ import annotations

from dataclasses import dataclass

from labkit.app.kit.controls import Control, Value
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.state import MOST_PINS, Pin, RigState, Setup, join_query, read_query, split_query, write_query
from labkit.sound.blind.abx import MOST_TRIALS, RECOMMENDED_TRIALS

LISTED_TRIALS = (8, 12, RECOMMENDED_TRIALS, 20, 24, 32)
USUAL_PARTS: tuple[tuple[str, Value], ...] = (
    ("cable.length", 10.0),
    ("volume.value", 500e3),
    ("tone_capacitor", 47e-9),
)
"""What the second rig differs in to begin with: the first of these that the rig has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Everything a test is made from.

    Attributes
    ----------
    rig : RigState
        The first rig as the present setup, the second as the first pin; further pins wait to be chosen.
    part : str
        Control whose change makes the second rig, where one does.
    take : str
    trials : int
    """

    rig: RigState
    part: str
    take: str
    trials: int = RECOMMENDED_TRIALS

    @property
    def first(self) -> Setup:
        """The first rig."""
        return self.rig.setup

    @property
    def second(self) -> Setup:
        """The second rig."""
        return self.rig.pins[0].setup

    def with_second(self, setup: Setup, *, part: str | None = None, keep: bool) -> Comparison:
        """Return the state with another second rig; ``keep`` leaves the present one among the pins."""
        kept = [pin.setup for pin in self.rig.pins[0 if keep else 1 :]]
        setups = [setup, *(other for other in kept if other != setup)][:MOST_PINS]
        return Comparison(
            rig=RigState(setup=self.first, pins=pins_of(setups)),
            part=self.part if part is None else part,
            take=self.take,
            trials=self.trials,
        )


def pins_of(setups: list[Setup]) -> tuple[Pin, ...]:
    """Return setups as pins in their order."""
    return tuple(Pin(slot=slot, setup=setup) for slot, setup in enumerate(setups))


def changed_setup(rigs: RigOffers, setup: Setup, part: str, value: Value) -> Setup:
    """Return a setup with one control moved."""
    return rigs.offer(setup.rig).setup(setup.rig, {**rigs.values(setup), part: value})


def differing(rigs: RigOffers, first: Setup, second: Setup) -> tuple[Control, ...]:
    """Return the controls that stand differently in two setups of one rig."""
    offer = rigs.offer(first.rig)
    one, other = {**offer.defaults, **dict(first.changes)}, {**offer.defaults, **dict(second.changes)}
    return tuple(
        control for control in offer.controls if control.key != "rig" and one[control.key] != other[control.key]
    )


def usual_change(rigs: RigOffers, setup: Setup, part: str | None = None) -> tuple[str, Value]:
    """Return a control and a value for it that differ plainly from a setup; a usual one where none is given."""
    offer, now = rigs.offer(setup.rig), rigs.values(setup)
    if part is None:
        for key, value in USUAL_PARTS:
            if key in offer.controls:
                return key, value if now[key] != value else _elsewhere(offer.controls[key], now[key])
        part = next(control.key for control in offer.controls if control.key != "rig")
    usual = dict(USUAL_PARTS).get(part)
    if usual is not None and usual != now[part]:
        return part, usual
    return part, _elsewhere(offer.controls[part], now[part])


def _elsewhere(control: Control, value: Value) -> Value:
    """A position well away from a value; the value itself where the control has only one."""
    count, place = len(control.positions), control.index(value)
    if control.kind == "slider":
        return control.positions[(3 * count) // 4 if place < count // 2 else count // 4]
    return control.positions[(place + 1) % count]


def read_comparison(rigs: RigOffers, query: str, takes: tuple[str, ...]) -> tuple[Comparison, tuple[str, ...]]:
    """Return the comparison that an address asks for, and a sentence for each part of it that could not be used."""
    rig_query, own = split_query(query)
    rig, problems = read_query(rig_query, default_rig=rigs.default_rig, offer=rigs.offer)
    found = list(problems)
    take, trials = takes[0], RECOMMENDED_TRIALS
    for name, text in own.items():
        if name == "take":
            if text in takes:
                take = text
            else:
                found.append(f"There is no take '{text[:40]}' here; the usual one is played.")
        elif name == "trials":
            if text.isascii() and text.isdigit() and len(text) < 6:
                trials = min(max(int(text), 1), MOST_TRIALS)
            else:
                found.append(f"'{text[:24]}' is no number of trials; {RECOMMENDED_TRIALS} are planned.")
        elif name != "part":
            found.append(f"This page has no '{name[:40]}'; that part of the link is left out.")
    part, value = usual_change(rigs, rig.setup)
    asked = own.get("part", "")
    if asked in rigs.offer(rig.setup.rig).controls and asked != "rig":
        part, value = usual_change(rigs, rig.setup, asked)
    if not rig.pins:
        rig = RigState(setup=rig.setup, pins=pins_of([changed_setup(rigs, rig.setup, part, value)]))
    first, second = rig.setup, rig.pins[0].setup
    if first.rig == second.rig and len(apart := differing(rigs, first, second)) == 1:
        part = apart[0].key
    return Comparison(rig=rig, part=part, take=take, trials=trials), tuple(found)


def write_comparison(rigs: RigOffers, state: Comparison, takes: tuple[str, ...]) -> str:
    """Return a comparison as the query of an address: empty for the one the page opens with."""
    fresh, _ = read_comparison(rigs, "", takes)
    if state == fresh:
        return ""
    own: dict[str, str] = {}
    if state.take != takes[0]:
        own["take"] = state.take
    if state.trials != RECOMMENDED_TRIALS:
        own["trials"] = str(state.trials)
    if state.first == state.second:
        own["part"] = state.part
    return join_query(write_query(state.rig, default_rig=rigs.default_rig, offer=rigs.offer), own)
