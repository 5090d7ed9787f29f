"""The winding page without widgets: a pickup in the making, standing in a slot of the travelling rig.

The pickup is kept as the value of its slot in the rig's setup (see `labkit.app.kit.pickup.made`), so pins, sound and
links to other pages need nothing of their own. Only the slot, the selected coil and the winder's two readings belong
to this page alone.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from labkit.app.kit.controls import Control, ControlSet, Group, Value
from labkit.app.kit.own_book import book_groups, open_own_book, taught
from labkit.app.kit.page_state import BAND_GRID, BOOK, GRID, WITHOUT, Own, PinningPageState, Snapshot, book_moment
from labkit.app.kit.pickup.made import (
    MadePickup,
    built_from,
    built_names,
    catalogue_keys,
    differences,
    made_from,
    pickup_text,
    read_text,
)
from labkit.app.kit.pickup.sheet_control import SheetControls
from labkit.app.kit.rig.controls import words
from labkit.app.kit.rig.pins import ShownPin, pin_in_words
from labkit.app.kit.rig.state import OWN, PinnedSetup, RigState, Setup
from labkit.app.pages.winding.controls import (
    STARTED,
    by_ear,
    coil_names,
    flange_radius,
    sheet_controls,
    start_control,
    state_flanges,
    without_flanges,
)
from labkit.app.pages.winding.words import TOOL_CONTROLS, WinderAnswer, answers
from labkit.core.errors import InputError
from labkit.core.response import gain_db
from labkit.pickup.magnetics.history import Aged, aged
from labkit.pickup.magnetics.magnet import MagnetGrade
from labkit.pickup.predict.built import BuiltPickup, PickupChange
from labkit.pickup.predict.standing import assembly_of
from labkit.pickup.winding.winding import Winding
from labkit.rig.outputs import CountedOutputs, counted_outputs
from labkit.rig.rig import Rig
from labkit.study.questions.winding_band import gain_bounds
from labkit.view.curve.curve import Curve, draw_curves
from labkit.view.drawings.bobbin import CoilOutline
from labkit.view.words import ZERO, Reading, read_response

if TYPE_CHECKING:
    from labkit.book.learn.prediction import Knowledge

SILENT_DB = -60.0
"""A pickup this far under all of them at 400 Hz is not switched on; leaks past open contacts lie far below."""

IN_RIG = "in."
"""Keys of controls that are the rig's begin so."""

SLOT, COIL = "own.slot", "own.coil"
_TOOLS = {OWN + control.key: control for control in TOOL_CONTROLS}
PICKUP_BAND_WORDS = "The doubt of this pickup's build alone; pots, cable and input are as stated."
_PROBE_HZ = np.array([400.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingResult:
    """What follows from a setup with a predicted pickup in a slot.

    Attributes
    ----------
    rig : Rig
    built : BuiltPickup
    gain_db, low_db, high_db : ndarray
        The rig's curve on `GRID`, and the 95 % bounds that the pickup's doubt gives it.
    reading : Reading
    is_heard : bool
        False where the rig is set so that the slot is silent.
    known : Knowledge or None
        What the workshop book says, where the pickup is predicted with it.
    """

    rig: Rig
    built: BuiltPickup
    gain_db: np.ndarray
    low_db: np.ndarray
    high_db: np.ndarray
    reading: Reading
    is_heard: bool
    known: Knowledge | None = None


class WindingPageState(PinningPageState[WindingResult]):
    """A pickup in the making; the rig it is tried in is the one that travels.

    Attributes
    ----------
    snapshot : Snapshot
        Of its own values, ``own.slot`` says where the pickup stands, ``own.coil`` which of its coils is selected;
        ``own.target`` and ``own.broke`` are readings at the winder, Ω.
    """

    def __init__(self, rig: Rig | None = None, *, query: str = "", clock: Callable[[], float] = time.monotonic) -> None:
        self._last_curve: tuple[tuple[object, ...], WindingResult] | None = None
        self._usual_slot: Callable[[str], str] = lru_cache(maxsize=16)(self._loudest_slot)
        self._plain_rig: Callable[[Setup], Rig] = lru_cache(maxsize=64)(lambda setup: self.offers.rig(setup))
        self._with_reel: Callable[..., WindingResult] = lru_cache(maxsize=48)(self._predict)
        super().__init__(rig, query=query, clock=clock)
        self.rig_of = self._rig_with_book

    @property
    def slot(self) -> str:
        """The slot where the pickup stands."""
        return self._slot_of(self.snapshot.rig.setup.rig, self.snapshot.own)

    @property
    def coil(self) -> str:
        """The coil that is selected."""
        return str(dict(self.snapshot.own).get(COIL, coil_names(self.made.sheet)[0]))

    @property
    def made(self) -> MadePickup:
        """The pickup in the making."""
        return read_text(self.text)

    @property
    def text(self) -> str:
        """The same as the one text that stands in the rig."""
        return self._text_in(self.snapshot.rig.setup, self.slot)

    @property
    def known(self) -> Mapping[str, Knowledge]:
        """What the workshop book knows of the pickup, by its slot; empty where it is predicted without it."""
        known = self.result.known
        return {} if known is None else {self.slot: known}

    @property
    def built(self) -> BuiltPickup:
        """The predicted pickup."""
        return self.result.built

    def _rig_with_book(self, setup: Setup) -> Rig:
        """Return the rig of a setup, its pickup in the slot predicted with the book where that is asked for."""
        if self.reel == WITHOUT or self._made_in(setup, self.slot) is None:
            return self._plain_rig(setup)
        return self._in_slot(setup, self.slot, self.reel).rig

    def _in_slot(self, setup: Setup, slot: str, reel: str = WITHOUT) -> WindingResult:
        moment = book_moment(((BOOK, reel),))
        return self._with_reel(setup, slot, WITHOUT if moment is None else reel, moment)

    @property
    def windings(self) -> Mapping[str, Winding]:
        """The coils' windings by name."""
        return {name: coil.winding for name, coil in self.built.build.wound if coil.winding is not None}

    @property
    def winding(self) -> Winding:
        """The winding of the coil that is selected."""
        return self.windings[self.coil]

    @property
    def flange(self) -> float:
        """Outer end radius of that coil's flange, m."""
        return flange_radius(self.made.sheet, self.coil)

    @property
    def outlines(self) -> tuple[CoilOutline, ...]:
        """The coils for a drawing to scale."""
        build = self.built.build
        spacing = build.spacing or 20e-3
        places = (0.0,) if len(build.wound) == 1 else (-spacing / 2, spacing / 2)
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
            for (name, coil), place in zip(build.wound, places)
            if coil.winding is not None
        )

    @property
    def magnets(self) -> tuple[MagnetGrade, Aged] | None:
        """The first grade of the magnets and where they stand; None without a magnet over which strings run."""
        build = self.built.build
        if not build.magnets or not any(coil.poles is not None for _, coil in build.coils):
            return None
        return build.magnets[0], aged(assembly_of(build), build.history)

    @property
    def answers(self) -> tuple[WinderAnswer, ...]:
        """The answers to the winder's questions for the coil that is selected."""
        coil = self.built.of_coil(self.coil)
        return answers(self.winding, coil, flange=self.flange, entered=self._tool_values)

    @property
    def controls(self) -> ControlSet:
        """What is heard most, the rest of the build sheet, the winder's questions, the rig it is heard in."""
        made = self.made
        coils = coil_names(made.sheet)
        looked_at = (
            [Control(key=COIL, label="Coil looked at", kind="switch", positions=coils)] if len(coils) > 1 else []
        )
        tools = tuple(replace(control, key=key) for key, control in _TOOLS.items())
        heard, *folds = by_ear(_controls_of(made, self.coil).control_groups)
        return ControlSet(
            (
                replace(heard, controls=(*looked_at, *heard.controls)),
                Group(title=STARTED, controls=(start_control(made.base),), is_fold=True),
                *folds,
                *book_groups(),
                Group(title="At the winder", controls=tools, note="Answers stand under the drawing.", is_fold=True),
                self._rig_group(),
            )
        )

    @property
    def values(self) -> dict[str, Value]:
        """Where every control stands."""
        made = self.made
        values: dict[str, Value] = {"start": made.base, COIL: self.coil, SLOT: self.slot, BOOK: self.reel}
        values |= _controls_of(made, self.coil).values(made.sheet)
        values |= {OWN + key: value for key, value in self._tool_values.items()}
        return values | {f"{IN_RIG}{key}": value for key, value in self.offers.values(self.snapshot.rig.setup).items()}

    @property
    def query(self) -> str:
        """The present snapshot for an address: empty for the one the page opens with."""
        return "" if self.snapshot == self._fresh(self.offers.default_rig) else super().query

    @property
    def note(self) -> str:
        """A sentence where the rig is set so that this pickup is not heard."""
        if self.result.is_heard:
            return ""
        return (
            f"The rig is set so that its {self.slot} pickup is not heard; the curve shows the others. "
            "Switch it on below, under the rig."
        )

    @property
    def pins(self) -> tuple[ShownPin, ...]:
        """The pins with what of the pickup, the rig's switches or the rig sets each apart from now."""
        return tuple(self._shown_pin(pin) for pin in self.snapshot.rig.pins)

    @property
    def change(self) -> PickupChange | None:
        """What differs from the compared pin's pickup; None where that one is not a predicted one."""
        if self.compared is None:
            return None
        setup = self.compared.pin.setup
        if self._made_in(setup, self.slot) is None:
            return None
        return self._in_slot(setup, self.slot, self.reel).built.change_to(self.built)

    @property
    def caption(self) -> str:
        """What zero is, and what the band and the doubt of the level hold."""
        output = self.built.output_db
        band = "The band holds 95 of 100 such pickups in this rig" if self.shows_band else "No band is drawn"
        if output is None or not self.counted.is_counted:
            return f"{ZERO} {band}."
        half = (output.high - output.low) / 2
        return f"0 dB: the reference coil. {band}; their level is good to ±{half:.1f} dB."

    @property
    def counted(self) -> CountedOutputs:
        """How the outputs of the pickups count in the present rig and the pins."""
        return counted_outputs(self.rig, *(self.rig_of(pin.setup) for pin in self.snapshot.rig.pins))

    @property
    def band_words(self) -> str:
        """What the band behind the present curve holds."""
        return PICKUP_BAND_WORDS

    def curves(self) -> list[Curve]:
        """Return the present curve with its band and the doubt of its level, then the pins, B with its band, where it
        is a predicted pickup, too; each at its own level."""
        now, counted = self.result, self.counted
        rigs = [self.rig, *(self.rig_of(pin.setup) for pin in self.snapshot.rig.pins)]
        levels = [gain_db(rig.evaluate(GRID, levels_db=added)) for rig, added in zip(rigs, counted.levels_db)]
        output, raised = now.built.output_db, levels[0] - now.gain_db
        is_level = output is not None and counted.is_counted
        first, *kept = self.lettered_curves(levels)
        doubt = (output.high - output.low) / 2 if output is not None and is_level else 0.0
        if self.shows_band:
            first = replace(first, low_db=now.low_db + raised, high_db=now.high_db + raised)
            if kept:
                with suppress(InputError):
                    then = self._result(self.snapshot.rig.pins[0].setup, self.snapshot.own)
                    more = levels[1] - then.gain_db
                    kept[0] = replace(kept[0], low_db=then.low_db + more, high_db=then.high_db + more)
        return [replace(first, doubt_db=doubt), *kept]

    def draw(self, width: int, height: int | None = None) -> str:
        """Return the drawing of the curves, SVG, for a width (and a height) in CSS pixels."""
        title = f"Level over frequency at the input of {self.snapshot.rig.setup.rig}, this pickup at the {self.slot}"
        return draw_curves(
            self.curves(),
            title=title,
            description=self.description,
            width=width,
            height=height,
            compares=self.compared is not None,
        )

    def set_turns(self, turns: int) -> None:
        """Wind so many turns, as a step of its own."""
        self._move("turns", float(turns), is_step=True)

    def open_sheet(self, made: MadePickup) -> None:
        """Put another pickup in place of the present one; InputError where the rig cannot take it."""
        self._step(self._with_made(made))

    def settled(self, rig: RigState, own: Own) -> Snapshot:
        """Return the snapshot for a rig from elsewhere: a slot it has, a pickup described by its build, a coil of that.

        Raises
        ------
        InputError
            If no built pickup of the catalogue fits the rig.
        """
        slot = self._slot_of(rig.setup.rig, own)
        setup, made = rig.setup, self._made_in(rig.setup, slot)
        if made is None:
            setup, made = self._first_that_fits(setup, slot)
        values = {**dict(own), SLOT: slot}
        return self._snapshot(replace(rig, setup=setup), values, made)

    def _snapshot(self, rig: RigState, values: Mapping[str, Value], made: MadePickup) -> Snapshot:
        """Return a snapshot with only those of its own values that are not the usual ones; tools are of one coil."""
        own, names = dict(values), coil_names(made.sheet)
        if own.get(SLOT) == self._usual_slot(rig.setup.rig):
            del own[SLOT]
        if own.get(COIL, names[0]) not in names:
            own = {key: value for key, value in own.items() if key in (SLOT, BOOK)}
        elif own.get(COIL) == names[0]:
            del own[COIL]
        if own.get(BOOK) == WITHOUT:
            del own[BOOK]
        return Snapshot(rig=rig, own=tuple(sorted(own.items())))

    def _slot_of(self, rig: str, own: Own) -> str:
        slot = str(dict(own).get(SLOT, ""))
        return slot if slot in self.offers.base(rig).harness.slots else self._usual_slot(rig)

    def _loudest_slot(self, rig: str) -> str:
        """Return the slot that is heard best as the rig's sheet sets it."""
        base = self.offers.base(rig)
        levels = {slot: abs(complex(base.evaluate(_PROBE_HZ, source=slot)[0])) for slot in base.harness.slots}
        return max(levels, key=lambda slot: levels[slot])

    def _text_in(self, setup: Setup, slot: str) -> str:
        """Return the text of the pickup in a slot; empty where there is no such slot."""
        return str(self.offers.values(setup).get(slot, ""))

    def _made_in(self, setup: Setup, slot: str) -> MadePickup | None:
        """Return the pickup in a slot; None where it is given by values."""
        try:
            return read_text(self._text_in(setup, slot))
        except InputError:
            return None

    def _placed(self, setup: Setup, slot: str, text: str) -> Setup:
        """Return a setup with a pickup put into a slot."""
        return self.offers.offer(setup.rig).setup(setup.rig, {**self.offers.values(setup), slot: text})

    def _first_that_fits(self, setup: Setup, slot: str) -> tuple[Setup, MadePickup]:
        """A built pickup in place of one that is given by its values: as many coils, where the catalogue has one."""
        coils = len(self.rig_of(setup).pickups[slot].coils)
        names = sorted(built_names(), key=lambda name: (len(coil_names(catalogue_keys(name))) != coils, len(name)))
        refused: InputError | None = None
        for name in names:
            placed = self._placed(setup, slot, name)
            try:
                self._in_slot(placed, slot)
            except InputError as error:
                refused = error
                continue
            return placed, read_text(name)
        raise refused or InputError("the catalogue holds no pickup that is described by its build")

    def _calculate(self, setup: Setup, own: Own) -> WindingResult:
        return self._in_slot(setup, self._slot_of(setup.rig, own), str(dict(own).get(BOOK, WITHOUT)))

    def _predict(self, setup: Setup, slot: str, reel: str, _: object) -> WindingResult:
        built, known = built_from(read_text(self._text_in(setup, slot))), None
        rig, book = self._plain_rig(setup), open_own_book() if reel != WITHOUT else None
        if book is not None:
            from labkit.book.learn.from_book import place_in
            from labkit.book.learn.prediction import with_book
            from labkit.book.records import Spool

            spool = next((each.label for each in book.records(Spool, "uid = ?", [reel])), "")
            place = place_in(book, design=built.name, spool=spool)
            built, known = with_book(built, taught(book).records, place)
            rig = rig.replace(pickups={**rig.pickups, slot: replace(built.pickup, made_from=built.build)})
        doubts = dict(built.coils), dict(built.loss_resistance), built.build.lead
        before, solved = self._last_curve, (rig.circuit, slot, *doubts)
        if before is not None and before[0] == solved:  # only charge or strings have changed, which is level alone
            return replace(before[1], rig=rig, built=built, known=known)
        response = rig.response(GRID)
        low, high = (
            np.interp(np.log(GRID), np.log(BAND_GRID), bound) for bound in gain_bounds(rig, slot, built, BAND_GRID)
        )
        level = gain_db(response.values)
        alone, together = (gain_db(rig.evaluate(_PROBE_HZ, source=source))[0] for source in (slot, None))
        found = WindingResult(
            rig=rig,
            built=built,
            gain_db=level,
            low_db=np.minimum(low, level),
            high_db=np.maximum(high, level),
            reading=read_response(response),
            is_heard=bool(alone > SILENT_DB + together),
            known=known,
        )
        self._last_curve = solved, found
        return found

    def _rig_group(self) -> Group:
        rig = self.snapshot.rig.setup.rig
        offered = self.offers.offer(rig).controls
        slots = self.offers.base(rig).harness.slots
        shown = [replace(offered["rig"], key=f"{IN_RIG}rig", label="Heard in")]
        if len(slots) > 1:
            shown.append(
                Control(
                    key=SLOT,
                    label="In place of the pickup at",
                    kind="switch",
                    positions=slots,
                    names=tuple(words(slot) for slot in slots),
                )
            )
        for group in offered.groups:
            if group.title == "Knobs and switches":
                shown += [replace(item, key=IN_RIG + item.key) for item in group.controls if item.kind != "slider"]
        return Group(title="The rig", controls=tuple(shown), note="Knobs, parts and cable are set on the Rig page.")

    def _shown_pin(self, pin: PinnedSetup) -> ShownPin:
        now = self.snapshot.rig.setup
        notes, texts, present = [], [], []
        if pin.setup.rig != now.rig:
            notes.append(pin.setup.rig)
            texts.append(f"in {pin.setup.rig}")
            present.append(now.rig)
        then, here = self.offers.values(pin.setup), self.offers.values(now)
        made, now_made = self._made_in(pin.setup, self.slot), self.made
        if made is None:
            notes.append(str(then.get(self.slot, "another pickup")))
            texts.append(f"{notes[-1]}, now {now_made.name}")
            present.append(now_made.name)
        else:
            for difference in differences(made.sheet, now_made.sheet):
                notes.append(difference.then)
                texts.append(f"{difference.then}, now {difference.now}")
                present.append(difference.now)
        if pin.setup.rig == now.rig:
            offered = self.offers.offer(pin.setup.rig).controls
            for control in offered:
                key = control.key
                if key not in ("rig", self.slot) and then[key] != here[key]:
                    notes.append(f"{control.note} {control.brief(then[key])}".strip())
                    texts.append(f"{control.label} {control.text(then[key])}, now {control.text(here[key])}")
                    present.append(f"{control.note} {control.brief(here[key])}".strip())
        return pin_in_words(pin, notes, texts, present)

    @property
    def _tool_values(self) -> dict[str, Value]:
        target = float(f"{self.built.of_coil(self.coil).resistance.value:.2g}")
        own = dict(self.snapshot.own)
        usual = {"target": target, "broke": target / 2}
        return {key: own.get(OWN + key, value) for key, value in usual.items()}

    def _read_own(self, setup: Setup, fields: Mapping[str, str], problems: list[str]) -> Own:
        """Return slot, coil and readings; of what cannot be used, `settled` takes the usual one."""
        own: dict[str, Value] = {OWN + name: text for name, text in fields.items() if OWN + name in (SLOT, COIL)}
        reels = [control.positions for group in book_groups() for control in group.controls]
        asked = fields.get(BOOK.removeprefix(OWN))
        if any(asked in positions for positions in reels):
            own[BOOK] = str(asked)
        for key, control in _TOOLS.items():
            if control.key in fields:
                try:
                    own[key] = float(control.decode(fields[control.key]))
                except InputError as error:
                    problems.append(f"{str(error).rstrip('.')[:160]}; that part of the link is left out.")
        return tuple(sorted(own.items()))

    def _moved(self, key: str, value: Value) -> Snapshot:
        now, made = self.snapshot, self.made
        own = dict(now.own)
        if key == "start":
            return self._with_made(made_from(str(value), catalogue_keys(str(value))))
        if key == COIL:
            return self._snapshot(now.rig, {SLOT: self.slot, COIL: value, BOOK: self.reel}, made)
        if key == BOOK:
            return self._snapshot(now.rig, {**own, BOOK: value}, made)
        if key in _TOOLS:
            return self._snapshot(now.rig, {**own, key: float(value)}, made)
        if key == f"{IN_RIG}rig":
            return self._in_rig(Setup(rig=str(value)), self._usual_slot(str(value)))
        if key == SLOT:
            return self._in_rig(
                self.setup_with({self.slot: self.offers.offer(now.rig.setup.rig).defaults[self.slot]}), str(value)
            )
        if key.startswith(IN_RIG):
            return now.with_setup(self.setup_with({key.removeprefix(IN_RIG): value}))
        keys = _controls_of(made, self.coil).by_key[key].write(state_flanges(made.sheet), value)
        start = catalogue_keys(made.base) if made.base else {}
        if without_flanges(keys) == start and state_flanges(start) == keys:
            keys = start
        return self._with_made(made_from(made.base, keys))

    def _with_made(self, made: MadePickup) -> Snapshot:
        setup = self._placed(self.snapshot.rig.setup, self.slot, pickup_text(made))
        self._in_slot(setup, self.slot)
        values = {**dict(self.snapshot.own), SLOT: self.slot, COIL: self.coil}
        return self._snapshot(replace(self.snapshot.rig, setup=setup), values, made)

    def _in_rig(self, setup: Setup, slot: str) -> Snapshot:
        rig = replace(self.snapshot.rig, setup=self._placed(setup, slot, self.text))
        return self._snapshot(rig, {**dict(self.snapshot.own), SLOT: slot}, self.made)


@lru_cache(maxsize=32)
def _controls_of(made: MadePickup, coil: str) -> SheetControls:
    """Return the controls over a pickup's own sheet."""
    return sheet_controls(made.sheet, coil, catalogue_keys(made.base) if made.base else made.sheet)
