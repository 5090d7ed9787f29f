"""The workshop book's page without widgets: which part is shown, the heading of today's batch, its cells as typed.

A link carries the part that is shown and nothing of the book.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, get_args

from labkit.app.kit.controls import Control, ControlSet, Group, Value
from labkit.app.kit.own_book import taught
from labkit.app.kit.page_state import PageState
from labkit.app.kit.rig.state import join_query, split_query
from labkit.app.kit.text import today
from labkit.bench.fit.fixture import NO_LOAD, STANDARD_LOAD
from labkit.book.cells import DecimalMark
from labkit.book.chart import Chart, chart
from labkit.book.entry import USUAL_COLUMNS, BatchHeading, EntryRow, EntryTable, Expect, expected_by
from labkit.book.history import CoilLine, coil_lines, find_coils
from labkit.book.learn.batch import BatchVerdict, CoilVerdict
from labkit.book.learn.from_book import judge_session, place_in
from labkit.book.learn.prediction import Knowledge, knowledge
from labkit.book.matching import CoilSet, book_pairs, coil_set
from labkit.book.records import (
    QUANTITIES,
    BobbinKind,
    BookRecord,
    CoilReading,
    CoilState,
    Design,
    Machine,
    MagnetLot,
    Meter,
    Note,
    Repair,
    Session,
    Spool,
    SweepFit,
    WoundCoil,
    months,
    now,
)
from labkit.book.store import Book, read_design
from labkit.book.things import THINGS
from labkit.core.errors import InputError
from labkit.report.paper_page import PaperHead

BATCH, KNOWS, MONTHS, PAIRS, FIND, STOCK = "batch", "knows", "months", "pairs", "find", "stock"
VIEWS = {
    BATCH: "Today's batch",
    KNOWS: "What this shop knows",
    MONTHS: "Over the months",
    PAIRS: "Pairs and sets",
    FIND: "Find a coil",
    STOCK: "Reels, magnets, meters",
}
NOT_SAID = "not said"
TEMPERATURE_DEVIATION = 0.5
"""Standard deviation of a room's thermometer against the coils, K (from memory); the heading says ± 1 K."""

OF_A_BATCH: dict[str, tuple[str, type[BookRecord]]] = {
    "spool": ("Reel of wire", Spool),
    "lot": ("Magnets", MagnetLot),
    "machine": ("Machine", Machine),
    "bobbin": ("Bobbins", BobbinKind),
}
METERS = {"ohms": "Ohmmeter", "lcr": "LCR meter", "sweep": "Sweep", "field": "Field meter"}
ACTS = {
    "note": "Write a note",
    "repair": "Enter a repair",
    "good": "Mark as good",
    "suspect": "Mark as suspect",
    "scrapped": "Mark as scrapped",
    "left": "It left the workshop",
    "cross out": "Cross out",
    "restore": "Let it count again",
}
"""What is done to a coil that was found. Nothing is deleted."""

WHOLE = "the whole coil"
CHARTED = ("resistance", "inductance", "loss_resistance", "peak", "field")
TOLERANCES = (0.02, 0.03, 0.05, 0.1)
USUAL_BATCH = 6
"""Coils of a work card where nothing is typed yet."""

MOST_BATCHES = 6
"""Batches that are told about, the newest of those that stand out."""

MONTHS_NOTED = 3.0
"""A note on a machine or a reel is told with the batches of the months after it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """The part that is shown, and controls that stand elsewhere than at first, sorted by key."""

    view: str = BATCH
    chosen: tuple[tuple[str, Value], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedBatch:
    """A batch of the book: its session, whose coils, what they share, and the notes beside them."""

    session: Session
    design: str
    serials: tuple[str, ...]
    verdict: BatchVerdict
    notes: tuple[str, ...]

    @property
    def stands_out(self) -> bool:
        """True where it reads otherwise than expected, or one of its coils is likely to be faulty."""
        return bool(self.verdict.moved) or any(coil.tier == "fault" for coil in self.verdict.coils)


class BookPageState(PageState[Shown]):
    """A workshop book that is open on a page.

    Parameters
    ----------
    book : Book
    why_demo : str
        Why it is the invented one, whose entries are not kept; empty for a book of one's own.
    query : str
        State from an address.
    """

    def __init__(self, book: Book, *, why_demo: str = "", query: str = "") -> None:
        self.book, self.why_demo = book, why_demo
        self.searched = self.set_of = ""
        self.entered: Session | None = None
        self._rig_query = ""
        self._cells: tuple[tuple[str, ...], ...] = ()
        self._columns: tuple[str, ...] = USUAL_COLUMNS
        self._units: dict[str, str] = {}
        self._decimal: DecimalMark | None = None
        self._kept: dict[Any, Any] = {}
        self._moment: tuple[int, int] | None = None
        super().__init__(Shown(view=MONTHS if why_demo else BATCH), time.monotonic)
        self.open(query)

    def _known(self, key: Any, make: Callable[[], Any]) -> Any:
        """Return what was worked out from the book as it is now, or work it out."""
        if self._moment != (moment := self.book.moment):
            self._moment, self._kept = moment, {}
        if key not in self._kept:
            self._kept[key] = make()
        return self._kept[key]

    @property
    def book_moment(self) -> tuple[int, int]:
        """Changes whenever the book does, whoever writes into it."""
        return self.book.moment

    # -- controls

    def _records(self, kind: type[BookRecord]) -> list[Any]:
        found: list[Any] = self._known(kind, lambda: self.book.records(kind))
        return found

    @property
    def designs(self) -> dict[str, Design]:
        """The newest version of every design, by name."""
        return {each.name: each for each in self._records(Design)}

    @property
    def has_designs(self) -> bool:
        """False while nothing can be entered or drawn."""
        return bool(self.designs)

    @property
    def controls(self) -> ControlSet:
        """The part to show, and what it asks for."""
        shown = Control(key="view", label="Show", kind="choice", positions=tuple(VIEWS), names=tuple(VIEWS.values()))
        groups = [Group(title="Workshop book", controls=(shown,))]
        view = self.snapshot.view
        if not self.has_designs and view not in (STOCK, FIND):
            return ControlSet(tuple(groups))
        names = tuple(self.designs)
        design = Control(key="design", label="Design", kind="choice", positions=names or (NOT_SAID,))
        if view == BATCH:
            meters = tuple(control for kind in METERS if (control := self._meter(kind)) is not None)
            temperature = Control(
                key="celsius",
                label="Coils at, ± 1 K",
                kind="slider",
                positions=tuple(10 + 0.5 * step for step in range(51)),
                unit="°C",
                bare_unit="°C",
                low=-10.0,
                high=60.0,
            )
            loaded = Control(
                key="load",
                label="Load at the peak",
                kind="choice",
                positions=("standard", "none"),
                names=("200 kΩ and 470 pF", "no load"),
            )
            frequency = Control(
                key="hz", label="LCR meter at", kind="choice", positions=(100.0, 120.0, 1e3, 5e3, 10e3), unit="Hz"
            )
            groups.append(
                Group(title="Heading of the batch", controls=(design, *self._things(tuple(OF_A_BATCH)), temperature))
            )
            groups.append(Group(title="Meters", controls=(*meters, frequency, loaded), is_fold=True))
        elif view == KNOWS:
            groups.append(Group(title="The next coil", controls=(design, *self._things(("spool", "lot", "machine")))))
        elif view == MONTHS:
            quantity = Control(
                key="quantity",
                label="Reading",
                kind="choice",
                positions=CHARTED,
                names=tuple(QUANTITIES[each].words for each in CHARTED),
            )
            tolerance = Control(
                key="tolerance",
                label="Tolerance",
                kind="choice",
                positions=TOLERANCES,
                unit="1",
                names=tuple(f"± {100 * each:.0f} %" for each in TOLERANCES),
            )
            groups.append(Group(title="Coils against plan", controls=(design, quantity, tolerance)))
        elif view == STOCK:
            words = tuple(kind.words for kind in THINGS.values())
            kinds = Control(key="thing", label="Kind", kind="choice", positions=tuple(THINGS), names=words)
            groups.append(Group(title="Enter, or say more", controls=(kinds,)))
        elif view == FIND and (coil := self.found_coil()) is not None:
            act = Control(
                key="act", label="What to do", kind="choice", positions=tuple(ACTS), names=tuple(ACTS.values())
            )
            entries = self.entries(coil)
            entry = Control(
                key="entry", label="With", kind="choice", positions=tuple(entries), names=tuple(entries.values())
            )
            asks = self._standing["act"] in ("cross out", "restore")
            groups.append(Group(title=f"Coil {coil.serial}", controls=(act, entry) if asks else (act,)))
        elif view == PAIRS:
            first = replace(design, label="First coils")
            second = Control(
                key="other", label="Second coils", kind="choice", positions=("", *names), names=("the same", *names)
            )
            groups.append(Group(title="Pairs", controls=(first, second)))
        return ControlSet(tuple(groups))

    def _things(self, keys: Sequence[str]) -> list[Control]:
        made = []
        for key in keys:
            label, kind = OF_A_BATCH[key]
            labels = tuple(each.label for each in self._records(kind) if getattr(each, "emptied_on", None) is None)
            positions = (NOT_SAID, *reversed(labels))
            made.append(Control(key=key, label=label, kind="choice", positions=positions))
        return made

    def _meter(self, kind: str) -> Control | None:
        labels = tuple(each.label for each in self._records(Meter) if each.kind == kind)
        if not labels:
            return None
        return Control(key=kind, label=METERS[kind], kind="choice", positions=(NOT_SAID, *labels))

    @property
    def values(self) -> dict[str, Value]:
        """Where every control stands: as for the coil that was entered last, until somebody says otherwise."""
        chosen = {**self._standing, "view": self.snapshot.view}
        return {
            control.key: chosen[control.key]
            if control.is_quantity or chosen[control.key] in control.positions
            else control.positions[0]
            for control in self.controls
        }

    def _usual(self) -> dict[str, Value]:
        coils, sessions = self.book.records(WoundCoil, "void_reason is null"), self.book.records(Session)
        last = coils[-1] if coils else None
        usual: dict[str, Value] = {"hz": 1e3, "load": "standard", "quantity": "resistance", "tolerance": 0.05}
        usual["celsius"] = next((each.celsius for each in reversed(sessions) if each.celsius is not None), 20.0)
        usual["other"], usual["thing"], usual["act"] = "", "spool", "note"
        usual["entry"] = ""
        by_uid = {each.uid: each.name for each in self._records(Design)}
        usual["design"] = by_uid[last.design] if last else next(iter(self.designs), "")
        for key, (_, kind) in OF_A_BATCH.items():
            labels = {each.uid: each.label for each in self._records(kind)}
            usual[key] = labels.get(getattr(last, key, None), NOT_SAID)
        for kind_of_meter in METERS:
            own = [each.label for each in self._records(Meter) if each.kind == kind_of_meter]
            usual[kind_of_meter] = own[0] if own else NOT_SAID
        return usual

    @property
    def _standing(self) -> dict[str, Value]:
        """Where every control of every part was put, or stands at first."""
        return {**self._known("usual", self._usual), **dict(self.snapshot.chosen)}

    @property
    def query(self) -> str:
        """The part that is shown, for an address; the rig that came along goes along."""
        return join_query(self._rig_query, {"view": self.snapshot.view})

    def open(self, query: str) -> None:
        """Start from the state of an address; `problems` then says what of it could not be used."""
        self._rig_query, own = split_query(query)
        view = own.get("view", self.snapshot.view)
        self.problems = () if view in VIEWS else (f"The book has no part '{view[:40]}'.",)
        self._start_from(Shown(view=view if view in VIEWS else BATCH))

    @property
    def is_changed(self) -> bool:
        """True where something was chosen."""
        return bool(self.snapshot.chosen)

    def start_again(self) -> None:
        """Go back to the usual choices of the part that is shown; what was typed stays."""
        self._step(Shown(view=self.snapshot.view))

    def _move(self, key: str, value: Value) -> None:
        now = self.snapshot
        if key == "view":
            self._step(replace(now, view=str(value)))
            return
        self._history.move(replace(now, chosen=tuple(sorted({**dict(now.chosen), key: value}.items()))), key)
        self._clear(key)

    # -- today's batch

    def heading(self) -> BatchHeading:
        """Return the heading of the batch as the controls have it."""
        values = self._standing

        def uid(kind: type[BookRecord], label: Value) -> str | None:
            return next((each.uid for each in self._records(kind) if each.label == label), None)

        meters = {kind: each for kind in METERS for each in self._records(Meter) if each.label == values.get(kind)}
        named = [each.label for each in self._records(Session)]
        number = len(named) + 1
        while f"batch {number}" in named:
            number += 1
        return BatchHeading(
            design=self.designs[str(values["design"])],
            spool=uid(Spool, values["spool"]),
            lot=uid(MagnetLot, values["lot"]),
            machine=uid(Machine, values["machine"]),
            bobbin=uid(BobbinKind, values["bobbin"]),
            label=f"batch {number}",
            celsius=float(values["celsius"]),
            celsius_deviation=TEMPERATURE_DEVIATION,
            meters=meters,
            hz=float(values["hz"]),
            load=STANDARD_LOAD if values["load"] == "standard" else NO_LOAD,
        )

    @property
    def table(self) -> EntryTable:
        """The batch under its heading, with the cells as they were typed."""
        return EntryTable(
            heading=self.heading(), columns=self._columns, units=self._units, rows=self._cells, decimal=self._decimal
        )

    def typed(self, rows: Sequence[Sequence[str]]) -> None:
        """Take the cells as they stand on the page."""
        width = len(self._columns)
        self._cells = tuple(tuple([*map(str, cells), *[""] * width][:width]) for cells in rows)

    def paste(self, text: str) -> None:
        """Add rows of a spreadsheet or a CSV file.

        Raises
        ------
        InputError
            If they cannot be told apart, or name a column that there is not.
        """
        table = self.table.pasted(text)
        self._cells, self._columns, self._units = table.rows, table.columns, dict(table.units)
        self._decimal = table.decimal

    def clear(self) -> None:
        """Empty the table; the first row keeps the number that is due."""
        self._cells = ((self.book.next_serial(), *[""] * (len(self._columns) - 1)),)

    def understood(self) -> list[EntryRow | None]:
        """Return every row of the table as it is understood; None for one without a reading."""
        table, expect = self.table, self._expect()

        def understand(cells: tuple[str, ...]) -> EntryRow | None:
            return next(iter(replace(table, rows=(cells,)).understood(expect=expect)), None)

        heading = ("row", self.snapshot.chosen, self._columns, self._decimal)
        return [self._known((*heading, cells), partial(understand, cells)) for cells in self._cells]

    def _expect(self) -> Expect:
        heading = self.heading()
        found: Expect = self._known(("plan", heading.design.uid), lambda: expected_by(heading.plan()))
        return found

    def judged(self) -> tuple[BatchVerdict | None, dict[str, CoilVerdict]]:
        """Return the rows that can be read, judged together with one another and the book, before they are entered."""
        rows = self.understood()
        kept = tuple(cells for cells, row in zip(self._cells, rows) if row and not row.problems and not row.questions)
        if not kept:
            return None, {}
        key = ("judged", self.snapshot.chosen, self._columns, kept)

        def judge() -> BatchVerdict | None:
            with self.book.scratch() as scratch:
                session = replace(self.table, rows=kept).enter(scratch)
                return next(iter(judge_session(scratch, session).values()), None)

        verdict: BatchVerdict | None = self._known(key, judge)
        return verdict, {} if verdict is None else {coil.serial: coil for coil in verdict.coils}

    def enter(self) -> Session:
        """Enter the batch into the book, whole or not at all, and make the table ready for the next one.

        Raises
        ------
        InputError
            If a row cannot be read or still asks something.
        """
        self.entered = self.table.enter(self.book)
        self.clear()
        return self.entered

    # -- what the book says

    def knowledge(self) -> Knowledge:
        """Return what the book says of the next coil."""
        values = self.values

        def known() -> Knowledge:
            design = self.designs[str(values["design"])]
            build = read_design(design.sheet, design.title).build
            labels = {key: "" if values[key] == NOT_SAID else str(values[key]) for key in ("spool", "lot", "machine")}
            place = place_in(self.book, design=design.name, **labels)
            return knowledge(taught(self.book).records, build, place)

        found: Knowledge = self._known(("knows", *values.items()), known)
        return found

    def chart(self, design: str = "") -> Chart:
        """Return coils of a design, the chosen one unless another is named, against their plan.

        Raises
        ------
        InputError
            If none of its coils has that reading.
        """
        values = self.values
        asked = design or str(values["design"]), str(values["quantity"]), float(values["tolerance"])
        found: Chart = self._known(("chart", *asked), lambda: chart(self.book, asked[0], asked[1], tolerance=asked[2]))
        return found

    def batches(self) -> tuple[JudgedBatch, ...]:
        """Return batches of any design that stand out on the chart, each judged against what was wound before.

        Of the batches that began a reel only those are told that read otherwise than expected.
        """
        sessions = {each.label or each.started_at[:10]: each for each in self._records(Session)}
        wanted: dict[tuple[str, str], bool] = {}
        for design in self.designs:
            try:
                found = self.chart(design)
            except InputError:
                continue
            firsts = {run.first for run in found.runs[1:]}
            for each in found.points:
                if each.is_outside or each.serial in firsts:
                    key = (each.session, design)
                    wanted[key] = wanted.get(key, False) or each.is_outside
        told = sorted(wanted, key=lambda key: sessions[key[0]].started_at)[-MOST_BATCHES:]
        judged = [(self._judged_batch(sessions[name], design), wanted[name, design]) for name, design in told]
        return tuple(each for each, is_outside in judged if each is not None and (is_outside or each.stands_out))

    def _judged_batch(self, session: Session, design: str) -> JudgedBatch | None:
        verdicts = self._known(("session", session.uid), lambda: judge_session(self.book, session))
        for title, verdict in verdicts.items():
            if title == design or title.startswith(f"{design}, version "):
                return JudgedBatch(
                    session=session,
                    design=title,
                    serials=tuple(coil.serial for coil in verdict.coils),
                    verdict=verdict,
                    notes=self._notes(session),
                )
        return None

    def _notes(self, session: Session) -> tuple[str, ...]:
        """Notes on a session and its coils, and those on their machine and reel of the months before it."""
        coils = self.book.query(
            "select distinct c.uid, c.machine, c.spool from coil c join reading r on r.coil = c.uid "
            "where r.session = ?",
            (session.uid,),
        )
        own, things = {session.uid, *(row[0] for row in coils)}, {each for row in coils for each in row[1:]}
        at = months(session.started_at[:10])
        return tuple(
            f"{each.entered_at[:10]}: {each.text}"
            for each in self.book.records(Note, "void_reason is null")
            if each.about in own or (each.about in things and 0 <= at - months(each.entered_at[:10]) <= MONTHS_NOTED)
        )

    def lines(self) -> list[CoilLine]:
        """Return every coil of the book as a line."""
        found: list[CoilLine] = self._known("lines", lambda: coil_lines(self.book))
        return found

    def found(self) -> list[CoilLine]:
        """Return the coils that the search asks for; the newest first.

        Raises
        ------
        InputError
            If a comparison cannot be understood.
        """
        terms = [term.strip() for term in self.searched.split(",") if term.strip()]
        return find_coils(self.lines(), terms)[::-1]

    def found_coil(self) -> WoundCoil | None:
        """Return the one coil that the search leaves; None for none or several."""
        try:
            found = self.found()
        except InputError:
            return None
        return found[0].coil if len(found) == 1 else None

    def entries(self, coil: WoundCoil) -> dict[str, str]:
        """Return what can be crossed out of a coil, or is: words by uid."""
        sessions = {each.uid: each for each in self._records(Session)}
        own = [coil.uid]
        found: dict[str, tuple[str, str | None]] = {coil.uid: (WHOLE, coil.void_reason)}
        for read in self.book.records(CoilReading, "coil = ?", own):
            words = f"{QUANTITIES[read.quantity].words} {read.text_as_typed}, {sessions[read.session].started_at[:10]}"
            found[read.uid] = words, read.void_reason
        for fit in self.book.records(SweepFit, "coil = ?", own):
            found[fit.uid] = f"fitted sweep, {sessions[fit.session].started_at[:10]}", fit.void_reason
        for repair in self.book.records(Repair, "coil = ?", own):
            found[repair.uid] = f"repair of {repair.done_at[:10]}: {repair.what[:40]}", repair.void_reason
        for note in self.book.records(Note, "about = ?", own):
            found[note.uid] = f"note: {note.text[:40]}", note.void_reason
        return {uid: words + (" (crossed out)" if reason else "") for uid, (words, reason) in found.items()}

    def act(self, text: str) -> str:
        """Do what is chosen to the coil that was found; return what was done, a sentence without a full stop.

        Raises
        ------
        InputError
            If the search leaves none or several coils, or the text that is due is missing.
        """
        coil = self.found_coil()
        if coil is None:
            raise InputError("this is done to one coil; search for its number")
        text = text.strip()
        act = str(self._standing["act"])
        if act == "note":
            self.book.add(Note(about=coil.uid, text=text))
            return f"coil {coil.serial}: noted"
        if act == "repair":
            self.book.add(Repair(coil=coil.uid, done_at=now()[:10], what=text))
            return f"coil {coil.serial}: repair entered; later readings are of the coil as it is now"
        if act == "left":
            self.book.change(replace(coil, left_on=text or now()[:10]))
            return f"coil {coil.serial}: left on {text or now()[:10]}"
        if act in get_args(CoilState):
            self.book.change(replace(coil, state=act))  # type: ignore[arg-type]
            return f"coil {coil.serial}: {act}"
        uid = str(self.values["entry"])
        record = self.book.record(uid)
        if act == "restore":
            self.book.restore(record)
            return f"coil {coil.serial}, {self.entries(coil).get(uid, WHOLE)}: counts again"
        words = self.entries(coil)[uid]
        self.book.cross_out(record, text)
        return f"coil {coil.serial}, {words}: crossed out"

    def enter_thing(self, label: str, said: Mapping[str, str]) -> str:
        """Enter the chosen kind of thing by its label, or say more of it; return what was done.

        Raises
        ------
        InputError
            If something that is due is missing, or cannot be read.
        """
        if not label.strip():
            raise InputError("say what the workshop calls it, such as reel 15")
        return THINGS[str(self._standing["thing"])].enter(self.book, label.strip(), said)

    @property
    def _head(self) -> PaperHead:
        return PaperHead(date=today(), shop=self.book.name)

    def work_card(self) -> str:
        """Return the card for the batch under its heading: as many coils as the table has rows, six in an empty one."""
        from labkit.report.book_paper import work_card_html

        usual = self._standing
        rows = [cells for cells in self._cells if any(cells[1:])]
        things = {key: "" if usual[key] == NOT_SAID else str(usual[key]) for key in ("spool", "lot", "machine")}
        return work_card_html(
            self.book,
            self.heading().design,
            count=len(rows) or USUAL_BATCH,
            first_serial=self._cells[0][0] if self._cells else self.book.next_serial(),
            celsius=float(usual["celsius"]),
            head=self._head,
            **things,
        )

    def batch_sheet(self) -> str:
        """Return the sheet of the batch that was entered last.

        Raises
        ------
        InputError
            If there is none.
        """
        from labkit.report.book_paper import batch_sheet_html

        sessions = self.book.records(Session, "uid in (select session from reading where void_reason is null)")
        if not sessions:
            raise InputError("no batch is entered yet; enter one, then print its sheet")
        return batch_sheet_html(self.book, self.entered or sessions[-1], head=self._head)

    def coil_paper(self, kind: str) -> str:
        """Return the card, the test record or the customer's sheet of the coil that was found.

        Raises
        ------
        InputError
            If the search leaves none or several.
        """
        from labkit.report.book_paper import book_customer_html, coil_card_html, record_html

        found = self.found()
        if len(found) != 1:
            raise InputError(f"a paper is of one coil, and the search leaves {len(found)}; search for its number")
        make = {"coil": coil_card_html, "test": record_html, "customer": book_customer_html}[kind]
        return make(self.book, found[0].coil, head=self._head)

    def reel_labels(self) -> str:
        """Return labels of the reels that are not empty."""
        from labkit.report.book_paper import reel_labels_html

        open_reels = [each for each in self._records(Spool) if each.emptied_on is None]
        return reel_labels_html(self.book, open_reels, head=self._head)

    def pairs(self) -> tuple[Any, tuple[str, ...]]:
        """Return the coils of the chosen designs that belong together, and those left over.

        Raises
        ------
        InputError
            If fewer than two can be matched.
        """
        values = self.values
        first = [line for line in self.lines() if line.design.name == values["design"]]
        other = str(values["other"])
        second = [line for line in self.lines() if line.design.name == other] if other else None
        if second is not None and other == values["design"]:
            second = None
        return book_pairs(first, second)

    def coil_set(self) -> CoilSet | None:
        """Return what the coils named in ``set_of`` do as a set; None where none is named.

        Raises
        ------
        InputError
            If a coil is not known, or they are no set.
        """
        serials = [each for each in re.split(r"[,\s]+", self.set_of) if each]
        if not serials:
            return None
        chosen = [self.book.coil(serial).uid for serial in serials]
        lines = {line.coil.uid: line for line in coil_lines(self.book, crossed_out=True)}
        return coil_set(self.book, [lines[uid] for uid in chosen])
