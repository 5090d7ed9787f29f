"""What sets pinned setups apart, in words short enough for a line's end and unlike each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile

from labkit.app.kit.controls import Control
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.state import PinnedSetup, Setup
from labkit.app.kit.rig.structure import read_name

LABEL_CHARACTERS = 22
"""Of a name at a line's end: what is longer is said in full in the list of what was kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownPin:
    """A pin as the page lists it.

    Attributes
    ----------
    pin : PinnedSetup
    name : str
        What to call it in a sentence: "3.2 kHz lower than with …".
    short, brief : str
        What sets it apart, at the line's end; briefer on a phone.
    text : str
        The same in full.
    here : str
        What sets the present setup apart from it.
    """

    pin: PinnedSetup
    name: str
    short: str
    brief: str
    text: str
    here: str = "as it stands"


def shown_pins(offers: RigOffers, now: Setup, pins: tuple[PinnedSetup, ...]) -> tuple[ShownPin, ...]:
    """Return the pins with what sets each apart from the present setup and from each other."""
    return tuple(
        _of_same_rig(offers, now, pin)
        if pin.setup.rig == now.rig
        else _of_other_rig(offers, now, pin, [other for other in pins if other is not pin])
        for pin in pins
    )


def changes_in_words(offers: RigOffers, setup: Setup) -> str:
    """Say what was changed in a rig: ``Cable length 3 m, Tone knob 4 of 10``."""
    controls = offers.offer(setup.rig).controls
    return ", ".join(f"{controls[key].label} {controls[key].text(value)}" for key, value in setup.changes)


def pin_in_words(pin: PinnedSetup, notes: Sequence[str], texts: Sequence[str], here: Sequence[str] = ()) -> ShownPin:
    """Return a pin as the page lists it.

    Parameters
    ----------
    pin : PinnedSetup
    notes, texts : sequence of str
        What sets it apart, one entry a control: for a line's end, and in full. Empty where it is the same as A.
    here : sequence of str
        What sets the present setup apart from it, as ``notes``.
    """
    if not notes:
        return ShownPin(pin=pin, name="B", short="the same", brief="the same", text="The same as A")
    short = ", ".join(notes)
    more = f"{notes[0]} …" if len(notes) > 1 else notes[0]
    return ShownPin(
        pin=pin,
        name=short if len(notes) == 1 else "B",
        short=short if len(short) <= LABEL_CHARACTERS else more,
        brief=more,
        text="; ".join(texts),
        here=", ".join(here) or "as it stands",
    )


def _of_same_rig(offers: RigOffers, now: Setup, pin: PinnedSetup) -> ShownPin:
    here, then = offers.values(now), offers.values(pin.setup)
    different = _different(offers, now, pin.setup)
    texts = [
        f"{control.label} {control.text(then[control.key])}, now {control.text(here[control.key])}"
        for control in different
    ]
    notes, present = ([_note(control, values[control.key]) for control in different] for values in (then, here))
    return pin_in_words(pin, notes, texts, present)


def _of_other_rig(offers: RigOffers, now: Setup, pin: PinnedSetup, others: list[PinnedSetup]) -> ShownPin:
    name = _rig_apart(pin.setup.rig, now.rig)
    alike = [other for other in others if other.setup.rig == pin.setup.rig]
    notes: dict[str, None] = {}
    for other in alike:
        then = offers.values(pin.setup)
        notes |= dict.fromkeys(
            _note(control, then[control.key]) for control in _different(offers, other.setup, pin.setup)
        )
    apart = ", ".join(notes)
    short = f"{name}, {apart}" if apart else name
    if len(short) > LABEL_CHARACTERS and apart:
        short = apart  # the rig is the same for both: what differs must survive the shortening
    changes = changes_in_words(offers, pin.setup)
    return ShownPin(
        pin=pin,
        name=f"{name}, {apart}" if apart else name,
        short=short,
        brief=apart or name,
        text=pin.setup.rig + (f": {changes}" if changes else ""),
        here=_rig_apart(now.rig, pin.setup.rig),
    )


def _different(offers: RigOffers, one: Setup, other: Setup) -> list[Control]:
    first, second = offers.values(one), offers.values(other)
    return [control for control in offers.offer(one.rig).controls if first[control.key] != second[control.key]]


def _note(control: Control, value: float | str) -> str:
    return f"{control.note} {control.brief(value)}".strip()


def _rig_apart(rig: str, now: str) -> str:
    """Name a rig by what it has not in common with the present one: rig, wiring or line."""
    then, here = read_name(rig), read_name(now)
    if then.plain != here.plain:
        return _apart(then.plain, here.plain)
    if then.wiring != here.wiring:
        return _apart(then.wiring, here.wiring) if then.wiring else "its own wiring"
    return then.line or "its own line"


def _apart(name: str, other: str) -> str:
    """Drop the words that two names begin with alike; of one that the other only goes on from, keep its last part.

    >>> _apart("Saltmarsh Lane, two pickups", "Saltmarsh Lane, narrow single coil")
    'two pickups'
    >>> _apart("Saltmarsh Lane, narrow single coil", "Saltmarsh Lane, narrow single coil, found")
    'narrow single coil'
    """
    if other.startswith(name):
        return name.rpartition(", ")[2]
    same = len(list(takewhile(lambda pair: pair[0] == pair[1], zip(name.split(" ")[:-1], other.split(" ")))))
    return " ".join(name.split(" ")[same:])
