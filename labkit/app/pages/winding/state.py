"""The winding page without widgets: a pickup in the making, standing in a slot of the travelling rig.

The pickup is kept as the value of its slot in the rig's setup (see `labkit.app.kit.pickup.made`), so pins, sound and
links to other pages need nothing of their own. Only the slot, the coil that is looked at and the winder's two readings
belong to this page alone.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import replace

from labkit.app.kit.address import join_query, split_query
from labkit.app.kit.controls import ControlSet, Value
from labkit.app.kit.pickup.made import MadePickup, built_from, catalogue_keys, made_from, pickup_text, read_text
from labkit.app.kit.pickup.sheet_control import SheetControls
from labkit.app.kit.rig.pins import ShownPin
from labkit.app.kit.rig.state import Pin, Setup, read_query, write_query
from labkit.app.kit.undoable import Undoable
from labkit.app.pages.winding.controls import coil_names, flange_radius, state_flanges, without_flanges
from labkit.app.pages.winding.panel import IN_RIG, controls_of, panel_controls
from labkit.app.pages.winding.pins import shown_pin
from labkit.app.pages.winding.tools import TOOL_CONTROLS, Answer, answers, read_tools
from labkit.app.pages.winding.trial import GRID, Trial, Trials, WindingState
from labkit.core.errors import InputError
from labkit.pickup.predict.built import BuiltPickup, PickupChange
from labkit.pickup.winding.winding import Winding
from labkit.rig.rig import Rig
from labkit.view.curve.curve import COMPACT_BELOW, Curve, draw_curves
from labkit.view.drawings.bobbin import CoilOutline
from labkit.view.palette import NOW, PINS
from labkit.view.words import KeyNumber, Reading, key_numbers, level_number, output_number, sentence

CURVE_HEIGHT = 300
"""Of a curve that stays in view while many controls and results scroll, CSS pixels."""


class WindingBench(Undoable[WindingState]):
    """A pickup in the making: moved by controls, pinned, undone, written to and read from an address and a sheet.

    Parameters
    ----------
    rig : Rig, optional
        Where the pickup is tried; the first rig of the catalogue by default.
    query : str
        State from an address.
    clock : callable
        Seconds, rising; given by tests.
    """

    def __init__(self, rig: Rig | None = None, *, query: str = "", clock: Callable[[], float] = time.monotonic) -> None:
        self.trials = Trials(rig)
        self.offers = self.trials.offers
        super().__init__(self.trials.fresh(self.offers.default_rig), clock)
        if query:
            self.open(query)

    @property
    def made(self) -> MadePickup:
        """The pickup in the making."""
        return read_text(self.text)

    @property
    def text(self) -> str:
        """The same as the one text that stands in the rig."""
        return self.trials.text_of(self.state.rig.setup, self.state.slot)

    @property
    def shown(self) -> Trial:
        """What follows from the present state."""
        return self.trials.trial(self.state.rig.setup, self.state.slot)

    @property
    def built(self) -> BuiltPickup:
        """The predicted pickup."""
        return self.shown.built

    @property
    def rig(self) -> Rig:
        """The rig with the pickup in it."""
        return self.shown.rig

    @property
    def windings(self) -> Mapping[str, Winding]:
        """The coils' windings by name."""
        return {name: coil.winding for name, coil in self.built.build.coils if coil.winding is not None}

    @property
    def winding(self) -> Winding:
        """The winding of the coil that is looked at."""
        return self.windings[self.state.coil]

    @property
    def flange(self) -> float:
        """Outer end radius of that coil's flange, m."""
        return flange_radius(self.made.sheet, self.state.coil)

    @property
    def outlines(self) -> tuple[CoilOutline, ...]:
        """The coils for a drawing to scale."""
        build = self.built.build
        spacing = build.spacing or 20e-3
        places = (0.0,) if len(build.coils) == 1 else (-spacing / 2, spacing / 2)
        return tuple(
            CoilOutline(
                name=name,
                straight_length=coil.winding.straight_length,
                end_radius=coil.winding.end_radius,
                winding_height=coil.winding.winding_height,
                build_up=coil.winding.build_up,
                flange_radius=max(flange_radius(self.made.sheet, name), coil.winding.end_radius),
                poles=coil.poles,
                across=place,
            )
            for (name, coil), place in zip(build.coils, places)
            if coil.winding is not None
        )

    @property
    def answers(self) -> tuple[Answer, ...]:
        """What the winder's questions come to for the coil that is looked at."""
        coil = self.built.coils[self.state.coil]
        return answers(self.winding, coil, flange=self.flange, entered=self._tool_values)

    @property
    def controls(self) -> ControlSet:
        """The page's controls in the present state."""
        return panel_controls(self.trials, self.state)

    @property
    def values(self) -> dict[str, Value]:
        """Where every control stands."""
        state, sheet = self.state, self.made.sheet
        values: dict[str, Value] = {"start": self.made.base, "coil": state.coil, **self._sheet_controls().values(sheet)}
        values |= self._tool_values
        rig = self.offers.values(state.rig.setup)
        values |= {f"{IN_RIG}{key}": value for key, value in rig.items()}
        values[f"{IN_RIG}slot"] = state.slot
        return values

    @property
    def query(self) -> str:
        """The present state for an address: empty for the state the page opens with."""
        state, fresh = self.state, self.trials.fresh(self.state.rig.setup.rig)
        if state == self.trials.fresh(self.offers.default_rig):
            return ""
        own = {key: f"{value:.6g}" for key, value in state.tools}
        own |= {"slot": state.slot} if state.slot != fresh.slot else {}
        own |= {"coil": state.coil} if state.coil != coil_names(self.made.sheet)[0] else {}
        return join_query(self.rig_query, own)

    @property
    def rig_query(self) -> str:
        """The rig with the pickup in it, for links to other pages."""
        return write_query(self.state.rig, default_rig=self.offers.default_rig, offer=self.offers.offer)

    @property
    def can_pin(self) -> bool:
        """True where the present pickup may be pinned: fewer than three are, and not this one."""
        return self.state.rig.with_pin() != self.state.rig

    @property
    def is_changed(self) -> bool:
        """True where something stands elsewhere than when the page opens with this rig."""
        return self.state != self.trials.fresh(self.state.rig.setup.rig)

    @property
    def note(self) -> str:
        """A sentence where the rig is set so that this pickup is not heard."""
        if self.shown.is_heard:
            return ""
        return (
            f"The rig is set so that its {self.state.slot} pickup is not heard; the curve shows the others. "
            "Switch it on below, under the rig."
        )

    @property
    def pins(self) -> tuple[ShownPin, ...]:
        """The pins with what sets each apart from the present state."""
        return tuple(shown_pin(self.trials, self.state, pin) for pin in self.state.rig.pins)

    @property
    def compared(self) -> ShownPin | None:
        """The pin that numbers and sound compare with: the newest that differs from now."""
        different = [shown for shown in self.pins if shown.pin.setup != self.state.rig.setup]
        return different[-1] if different else None

    @property
    def change(self) -> PickupChange | None:
        """What differs from the compared pin's pickup; None where that one is not a predicted one."""
        if self.compared is None:
            return None
        try:
            text = self.trials.text_of(self.compared.pin.setup, self.state.slot)
            return built_from(read_text(text)).change_to(self.built)
        except InputError:
            return None

    @property
    def numbers(self) -> tuple[KeyNumber, ...]:
        """Peak place, peak height, treble end and level in the rig, compared with a pin where there is one."""
        compared, reading = self.compared, self.shown.reading
        if compared is None:
            return (*key_numbers(reading), output_number(self.rig.outputs))
        level = level_number(self.trials.level(compared.pin.setup, self.state.rig.setup), compared.name)
        return (*key_numbers(reading, pinned=self.reading_of(compared.pin), pinned_name=compared.name), level)

    @property
    def description(self) -> str:
        """The curves in words."""
        kept = [f"Pinned, {shown.short}: {sentence(key_numbers(self.reading_of(shown.pin)))}" for shown in self.pins]
        return " ".join([sentence(self.numbers), *kept])

    def curves(self) -> list[Curve]:
        """Return the present curve with its band, and the pins."""
        shown = self.shown
        curves = [
            Curve(
                frequency_hz=GRID,
                gain_db=shown.gain_db,
                label="Now",
                style=NOW,
                low_db=shown.low_db,
                high_db=shown.high_db,
            )
        ]
        curves += [
            Curve(
                frequency_hz=GRID,
                gain_db=self.trials.kept(pin.pin.setup)[0],
                label=pin.short,
                brief=pin.brief,
                style=PINS[pin.pin.slot],
            )
            for pin in self.pins
        ]
        return curves

    def draw(self, width: int) -> str:
        """Return the drawing of the curves, SVG, for a width in CSS pixels."""
        title = f"Level over frequency at the input of {self.state.rig.setup.rig}, this pickup at the {self.state.slot}"
        height = None if width < COMPACT_BELOW else CURVE_HEIGHT
        return draw_curves(self.curves(), title=title, description=self.description, width=width, height=height)

    def reading_of(self, pin: Pin) -> Reading:
        """Return the numbers of a pinned setup."""
        return self.trials.kept(pin.setup)[1]

    def rig_of(self, pin: Pin) -> Rig:
        """Return the rig of a pinned setup."""
        return self.offers.rig(pin.setup)

    def set_turns(self, turns: int) -> None:
        """Wind so many turns, as a step of its own."""
        self._move("turns", float(turns), gesture="")

    def open_sheet(self, made: MadePickup) -> None:
        """Put another pickup in place of the present one; InputError where the rig cannot take it."""
        self._step(self._with_made(self.state, made))

    def pin(self) -> None:
        """Keep the present pickup for comparison."""
        self._history.move(replace(self.state, rig=self.state.rig.with_pin()))

    def unpin(self, slot: int) -> None:
        """Drop a pin."""
        self._history.move(replace(self.state, rig=self.state.rig.without_pin(slot)))

    def restore(self, slot: int) -> None:
        """Take the pickup of a pin up again; the pin stays."""
        for pin in self.state.rig.pins:
            if pin.slot == slot:
                self._step(self.trials.settled(replace(self.state.rig, setup=pin.setup), self.state.slot, ""))

    def start_again(self) -> None:
        """Go back to the pickup the page opens with in this rig; can be undone."""
        self._step(self.trials.fresh(self.state.rig.setup.rig))

    def open(self, query: str) -> None:
        """Start from the state of an address; `problems` then says what of it could not be used."""
        rig_query, own = split_query(query)
        offers = self.offers
        rig, told = read_query(rig_query, default_rig=offers.default_rig, offer=offers.offer)
        problems = list(told)
        state = self.trials.fresh(offers.default_rig)
        try:
            if rig_query or own:
                state = self.trials.settled(rig, own.get("slot", ""), own.get("coil", ""))
                state = replace(state, tools=read_tools(own, problems))
            self.trials.trial(state.rig.setup, state.slot)
            for pin in state.rig.pins:
                self.trials.kept(pin.setup)
        except InputError as error:
            problems.append(f"The link does not suit this page: {error}")
            state = self.trials.fresh(offers.default_rig)
        self.problems = tuple(dict.fromkeys(problems))
        self._start_from(state)

    @property
    def _tool_values(self) -> dict[str, Value]:
        usual = {"target": self.built.coils[self.state.coil].resistance.value, "broke": 0.0}
        usual["target"] = float(f"{usual['target']:.2g}")
        usual["broke"] = usual["target"] / 2
        return {**usual, **dict(self.state.tools)}

    def _sheet_controls(self) -> SheetControls:
        return controls_of(self.made, self.state.coil)

    def _move(self, key: str, value: Value, gesture: str | None = None) -> None:
        try:
            state = self._moved(key, value)
            self.trials.trial(state.rig.setup, state.slot)
        except InputError as error:
            self._blame(key, error)
            return
        self._clear(key)
        self._history.move(state, key if gesture is None else gesture)

    def _moved(self, key: str, value: Value) -> WindingState:
        state = self.state
        if key == "start":
            return self._with_made(state, made_from(str(value), catalogue_keys(str(value))))
        if key == "coil":
            return replace(state, coil=str(value), tools=())
        if key in {control.key for control in TOOL_CONTROLS}:
            return replace(state, tools=tuple(sorted({**dict(state.tools), key: float(value)}.items())))
        if key == f"{IN_RIG}rig":
            return self._in_rig(Setup(rig=str(value)), "")
        if key == f"{IN_RIG}slot":
            rig = state.rig.setup.rig
            values = {**self.offers.values(state.rig.setup), state.slot: self.offers.offer(rig).defaults[state.slot]}
            return self._in_rig(self.offers.offer(rig).setup(rig, values), str(value))
        if key.startswith(IN_RIG):
            rig = state.rig.setup.rig
            values = {**self.offers.values(state.rig.setup), key.removeprefix(IN_RIG): value}
            return replace(state, rig=replace(state.rig, setup=self.offers.offer(rig).setup(rig, values)))
        made = self.made
        stated = state_flanges(made.sheet)
        keys = self._sheet_controls().by_key[key].write(stated, value)
        start = catalogue_keys(made.base) if made.base else {}
        if without_flanges(keys) == start and state_flanges(start) == keys:
            keys = start
        return self._with_made(state, made_from(made.base, keys))

    def _with_made(self, state: WindingState, made: MadePickup) -> WindingState:
        setup = self.trials.placed(state.rig.setup, state.slot, pickup_text(made))
        self.trials.trial(setup, state.slot)
        names = coil_names(made.sheet)
        kept = state.coil in names
        return replace(
            state,
            rig=replace(state.rig, setup=setup),
            coil=state.coil if kept else names[0],
            tools=state.tools if kept else (),
        )

    def _in_rig(self, setup: Setup, slot: str) -> WindingState:
        state = self.state
        place = slot or self.trials.usual_slot(setup.rig)
        return replace(
            state,
            rig=replace(state.rig, setup=self.trials.placed(setup, place, self.text)),
            slot=place,
            tools=state.tools,
        )
