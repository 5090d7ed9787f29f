"""What sets a pinned pickup apart from the present one, for a line's end and for the list of pins."""

from __future__ import annotations

from labkit.app.kit.pickup.differences import differences
from labkit.app.kit.pickup.made import read_text
from labkit.app.kit.rig.pins import ShownPin
from labkit.app.kit.rig.state import Pin
from labkit.app.pages.winding.trial import Trials, WindingState
from labkit.view.curve.curve import LABEL_CHARACTERS


def shown_pin(trials: Trials, state: WindingState, pin: Pin) -> ShownPin:
    """Return a pin as the page lists it: what of the pickup, the rig's switches or the rig differs from now."""
    if pin.setup == state.rig.setup:
        return ShownPin(pin=pin, name="the pinned one", short="as now", brief="as now", text="The same as now")
    notes, texts = [], []
    if pin.setup.rig != state.rig.setup.rig:
        notes.append(pin.setup.rig)
        texts.append(f"in {pin.setup.rig}")
    then, now = trials.offers.values(pin.setup), trials.offers.values(state.rig.setup)
    made, now_made = trials.made_in(pin.setup, state.slot), read_text(trials.text_of(state.rig.setup, state.slot))
    if made is None:
        notes.append(str(then.get(state.slot, "another pickup")))
        texts.append(f"{notes[-1]}, now {now_made.name}")
    else:
        for difference in differences(made.sheet, now_made.sheet):
            notes.append(difference.then)
            texts.append(f"{difference.then}, now {difference.now}")
    if pin.setup.rig == state.rig.setup.rig:
        offered = trials.offers.offer(pin.setup.rig).controls
        for control in offered:
            key = control.key
            if key not in ("rig", state.slot) and then[key] != now[key]:
                notes.append(f"{control.note} {control.brief(then[key])}".strip())
                texts.append(f"{control.label} {control.text(then[key])}, now {control.text(now[key])}")
    short = ", ".join(notes)
    more = f"{notes[0]} …" if len(notes) > 1 else "".join(notes[:1])
    return ShownPin(
        pin=pin,
        name=short if len(notes) == 1 else "the pinned one",
        short=short if len(short) <= LABEL_CHARACTERS else more,
        brief=more,
        text="; ".join(texts),
    )
