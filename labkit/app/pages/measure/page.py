"""The measure page: widgets over `MeasurePageState`. ``panel()`` works in the lab's page and in any notebook.

from labkit.app.pages.measure.page import panel
panel()
"""

from __future__ import annotations

from dataclasses import replace
from html import escape

import ipywidgets
import numpy as np

from labkit.app.kit.background import Background
from labkit.app.kit.controls import ControlSet
from labkit.app.kit.files import GivenFile, Intake, Upload
from labkit.app.kit.own_book import has_book, own_book
from labkit.app.kit.page import CurvePage, box, file_stem
from labkit.app.kit.panel_page import rig_panel
from labkit.app.kit.text import numbers_html, sentence_html
from labkit.app.kit.widgets import FileOffers, MadeFile, Work
from labkit.app.pages.measure.controls import READING_DEFAULTS
from labkit.app.pages.measure.lifts import (
    LIFT_CAUTIONS,
    LIFT_DEFAULTS,
    LIFT_WIRING_HTML,
    JudgedLifts,
    lift_numbers,
    lifts_html,
)
from labkit.app.pages.measure.recorder import STEPS, Recorder
from labkit.app.pages.measure.recording_words import GOOD_TAKES_HTML, RECORDING_CAUTIONS, WIRING_HTML
from labkit.app.pages.measure.remake import remake, remake_html
from labkit.app.pages.measure.state import MeasurePageState, calibration_words, readings_sheet
from labkit.app.pages.measure.sweeps import ADVICE, LARGEST_SWEEP, fit_asked, read_files
from labkit.app.pages.measure.words import (
    GOOD_FILES_HTML,
    METER_WORDS,
    NOT_IN_FIT,
    READING_CAUTIONS,
    REMAKE_WORDS,
    STEEL_WORDS,
    SWEEP_CAUTIONS,
    ZERO_OF_FIT,
    fit_html,
    fit_numbers,
    fit_sentence,
    listed,
    residual_words,
    verdict_html,
    verdict_numbers,
    verdict_sentence,
    waiting_numbers,
)
from labkit.bench.diagnose.readings import field_meter_text
from labkit.bench.fit.fit import Fit, fit_sheet_text
from labkit.bench.recording.excitation import excitation
from labkit.bench.recording.interface import interface_sheet_text
from labkit.core.errors import InputError, capitalized
from labkit.core.units import parse_quantity
from labkit.core.wav import wav_bytes
from labkit.pickup.string.known_steel import steel_text
from labkit.rig.rig import Rig
from labkit.view.curve.curve import BENCH_DB, draw_curves
from labkit.view.curve.residual import draw_residuals
from labkit.view.palette import SWEEPS


class MeasurePage(CurvePage[MeasurePageState]):
    """Sweeps and single readings on one bench."""

    title = "What is on the bench?"
    lead = "Drop sweeps of a pickup to get its values, or hold single readings against what it should be."
    keeps = False
    css_class = ""  # tables need the room beside the controls
    draws_what_is_heard = False  # but what was measured

    def set_up(self) -> None:
        """Make the page's own widgets."""
        self.background = Background()
        self.answer, self.numbers, self.said, self.caption = (ipywidgets.HTML() for _ in range(4))
        self.rest, self.links, self.cautions = ipywidgets.HTML(), ipywidgets.HTML(), ipywidgets.HTML()
        self.work = Work()
        self.upload = Upload(
            Intake(largest=LARGEST_SWEEP, what="a sweep", advice=ADVICE, workbooks=True),
            label="Choose sweep files",
            hint="Or drop them here: CSV or TSV text, workbooks (XLSX) or Touchstone; up to four of one pickup, each "
            "with its own load. They are not part of the link.",
            keeps_as="sweeps",
            accept=".csv,.tsv,.txt,.dat,.xlsx,.xlsm,.s1p,.s2p,.ts,text/csv,text/plain",
        )
        self.upload.on_file(self._file, begin=self.background.warm)
        self.upload.on("remove", self._remove)
        self.work.on("cancel", lambda **_: self._cancel())
        self.work.on("again", lambda **_: self._again())
        self.recorder = Recorder()
        self.recorder.on_take(self._recorded)
        self.kept = FileOffers()
        self.kept.offer("calibration", "Keep the calibration", self._calibration)
        self.kept.offer("sound", "Save the sweep to play elsewhere", _sound_to_play)
        self.wiring = ipywidgets.HTML()
        self.of_sweeps = box("lab-section", self.kept, ipywidgets.HTML(GOOD_TAKES_HTML))
        self.recording_parts = (box("lab-section", self.wiring), box("lab-section", self.recorder, self.of_sweeps))
        self.steel = FileOffers()
        self.steel.offer("steel", "Keep as this shop's steel", self._steel_sheet)
        self.opener = self._opener(
            "a pickup sheet", label="Open a pickup sheet as the plan", keeps_as="plans", takes_up=True
        )
        self.opener.on_file(self._open_plan)
        self.meter_name = ipywidgets.Text(description="Field meter's name", placeholder="such as bench meter")
        self.meter_kept = FileOffers()
        self.meter_kept.offer("meter", "Keep the field meter", self._field_meter)
        self.meter_opener = self._opener(
            "a field meter", label="Use a kept field meter", keeps_as="meters", takes_up=True
        )
        self.meter_opener.on_file(self._open_meter)
        self.files.offer("sheet", "Save as pickup sheet", self._pickup_sheet)
        self.files.offer("record", "Print the record of the fit", lambda: self._record(is_printed=True))
        self.files.offer("record-file", "Save the record", lambda: self._record(is_printed=False))
        self.papers = FileOffers()
        self.papers.offer("readings", "Save readings", self._readings)
        self.papers.offer("test", "Print the test record", lambda: self._test_record(is_printed=True))
        self.papers.offer("test-file", "Save the test record", lambda: self._test_record(is_printed=False))
        self.remake = ipywidgets.Button(description="Which build could it be?", layout={"width": "auto"})
        self.remake.on_click(lambda _: self._remake())
        self.remade, self._remade_for = ipywidgets.HTML(), ""
        self._stopped, self._under_way = "", ""
        self.curve.observe(lambda _: self._residuals(), "width")
        self.serial = ipywidgets.Text(description="Serial number", placeholder="of a coil of the book")
        self.celsius = ipywidgets.Text(description="Coil at, °C", value="20")
        self.into_book = ipywidgets.Button(description="Into the workshop book", layout={"width": "auto"})
        self.into_book.on_click(lambda _: self._into_book())
        self.entered = ipywidgets.HTML()
        self.book_box = box("lab-search", self.serial, self.celsius, box("lab-buttons", self.into_book), self.entered)
        _show(self.book_box, has_book())
        self.sweep_parts = (
            box("lab-section", self.upload, ipywidgets.HTML(GOOD_FILES_HTML)),
            box("lab-section", ipywidgets.HTML("<h2>Keep it</h2>"), self.files, self.book_box, self.links),
        )
        self.steel_box = box("lab-section", ipywidgets.HTML(f"<h2>Keep it</h2><p>{STEEL_WORDS}</p>"), self.steel)
        self.opener_box = box("lab-section", self.opener)
        self.reading_parts = (
            box(
                "lab-section",
                ipywidgets.HTML(f"<h2>Field meter</h2><p>{METER_WORDS}</p>"),
                box("lab-search", self.meter_name),
                self.meter_kept,
                self.meter_opener,
            ),
            box(
                "lab-section",
                ipywidgets.HTML(f"<h2>Wind it again</h2><p>{REMAKE_WORDS}</p>"),
                self.remake,
                self.remade,
            ),
            box("lab-section", ipywidgets.HTML("<h2>Keep it</h2>"), self.papers),
        )
        self.curve_box = box("lab-measured", self.curve, self.caption)
        self.rest_box = box("lab-measured", self.rest)

    def results(self) -> tuple[ipywidgets.Widget, ...]:
        """Return what was found, and the curve."""
        return self.answer, self.work, self.curve_box

    def below(self) -> tuple[ipywidgets.Widget, ...]:
        """Return values, verdict, files, cautions."""
        return (
            *self.recording_parts,
            self.numbers,
            *self.sweep_parts[:1],
            self.opener_box,
            self.rest_box,
            box("lab-section", self.said),
            *self.sweep_parts[1:],
            *self.reading_parts,
            self.steel_box,
            box("lab-section", self.cautions),
        )

    def shown_controls(self) -> ControlSet:
        """Return the controls that matter now."""
        return self.state.shown_controls

    def show_results(self) -> None:
        """Show fit or verdict, and ask for what is missing."""
        is_lifting, is_recording = self.state.is_lifting, self.state.is_recording
        is_sweeps = self._is_of_curves
        for part in (*self.sweep_parts[1:], self.rest_box):
            _show(part, is_sweeps)
        _show(self.curve_box, is_sweeps and not (is_recording and self.state.asked is None))
        _show(self.sweep_parts[0], is_sweeps and not is_recording)
        for part in self.recording_parts:
            _show(part, is_recording or is_lifting)
        _show(self.of_sweeps, is_recording)
        _show(self.steel_box, is_lifting)
        self.wiring.value = LIFT_WIRING_HTML if is_lifting else WIRING_HTML
        for part in self.reading_parts:
            _show(part, not is_sweeps and not is_lifting)
        _show(self.opener_box, not is_sweeps)
        if is_lifting:
            self._show_lifts()
        elif is_sweeps:
            self._show_sweeps()
        else:
            self._show_readings()

    @property
    def _is_of_curves(self) -> bool:
        return self.state.values["own.bench"] not in ("readings", "lifts")

    def _show_sweeps(self) -> None:
        state, fit = self.state, self.state.fit
        self.upload.files = [self._listed(slot) for slot in sorted(state.files)]
        if state.is_recording:
            self.recorder.view = state.recording.view(state.series)
        self.numbers.value = numbers_html(waiting_numbers() if fit is None else fit_numbers(fit))
        self.cautions.value = listed("Cautions", RECORDING_CAUTIONS if state.is_recording else SWEEP_CAUTIONS)
        problem = state.problem
        if fit is not None:
            self.caption.value = f'<p class="lab-caption">{escape(ZERO_OF_FIT)}</p>'
            self.answer.value = sentence_html(fit_sentence(fit))
            self.said.value = fit_html(fit) + f'<p class="lab-note">{escape(NOT_IN_FIT)}</p>'
            links = "".join(
                f'<a class="lab-measure-link" href="rig.ipynb?{escape(query)}">Use it in my rig: {escape(place)}</a>'
                for place, query in state.fitted_in_rig()
            )
            self.links.value = f"<p>{links}</p>"
        else:
            self.caption.value = '<p class="lab-caption">Measured; zero is the level at 100 Hz. Not fitted yet.</p>'
            words = f"{capitalized(problem)}." if problem else "The fit is on its way."
            self.answer.value, self.said.value = sentence_html(words), ""
            self.links.value = ""
        self._residuals()
        self._go_on()

    def _show_readings(self) -> None:
        state, judged = self.state, self.state.result
        assert judged is not None
        if self._remade_for != repr(judged.data):
            self.background.cancel()
            self.remade.value, self._remade_for = "", ""
        self.work.words, self.work.again = "", False
        calibration = f'<p class="lab-note">{escape(calibration_words(state.values, state.field_meter))}</p>'
        self.cautions.value = listed("Cautions", READING_CAUTIONS)
        if judged.verdict is None:
            self.answer.value, self.numbers.value, self.said.value = sentence_html(judged.problem), "", calibration
            return
        self.answer.value = sentence_html(verdict_sentence(judged.verdict))
        self.numbers.value = numbers_html(verdict_numbers(judged.verdict))
        self.said.value = verdict_html(judged.verdict) + calibration

    def _show_lifts(self) -> None:
        judged: JudgedLifts | None = None
        problem = ""
        try:
            judged = self.state.judged_lifts()
        except InputError as error:
            problem = f"{capitalized(str(error))}."
        if self.background.is_busy:
            self.background.cancel()
        self.work.words, self.work.again = "", False
        self.recorder.view = self.state.lifting.view(self.state.lifted_notes, problem)
        self.numbers.value = numbers_html(lift_numbers(judged))
        self.said.value = "" if judged is None else lifts_html(judged)
        self.cautions.value = listed("Cautions", LIFT_CAUTIONS)
        _show(self.steel_box, judged is not None and judged.after is not None)

    def _remake(self) -> None:
        """Search the builds on the plan's bobbin for what was read."""
        judged = self.state.result
        if judged is None:
            return
        self._remade_for = repr(judged.data)
        plan = str(self.state.values["own.plan"])
        if not self.state.is_in_catalogue(plan):
            self.remade.value = sentence_html("A build of the catalogue is needed as the plan; this one was opened.")
            return

        def done(found: list) -> None:
            self.remade.value = remake_html(found)

        def failed(sentence: str) -> None:
            self.remade.value = sentence_html(f"{capitalized(sentence)}.")

        def tick(seconds: float) -> None:
            self.remade.value = sentence_html(f"Searching … {seconds:.0f} s")

        tick(0.0)
        fitted = "" if self.state.is_demo or self.state.fit is None else fit_sheet_text(self.state.fit)
        self.background.ask(remake, plan, judged.data, fitted, done=done, failed=failed, tick=tick)

    def _listed(self, slot: int) -> dict[str, object]:
        state = self.state
        found, given = state.read_as(slot), state.files[slot]
        entry: dict[str, object] = {
            "key": str(slot),
            "name": given.name,
            "colour": SWEEPS[slot - 1].colour,
            "detail": "invented, of the winding room at Saltmarsh Lane" if state.is_demo else "",
            "removable": not state.is_demo,
        }
        if found is None:
            return {**entry, "detail": "not read yet"}
        sweep, error = found
        if sweep is None:
            return {**entry, "error": f"{capitalized(error)}."}
        points = f"{sweep.frequency_hz.size} points"
        detail = f"{points}; {entry['detail']}" if entry["detail"] else points
        return {**entry, "detail": detail, "understood": list(sweep.understood), "warnings": list(sweep.warnings)}

    def _go_on(self) -> None:
        """Have done what the present state asks for: first reading, then the fit."""
        state, key = self.state, self._wanted
        if key == self._stopped or (self.background.is_busy and key == self._under_way):
            return
        self._stopped, self._under_way = "", key
        if state.unread:
            files, choices = state.unread, state.choices

            def read(found: list) -> None:
                state.take_read(files, choices, found)
                self._done()

            self._ask("Reading", read_files, files, choices, done=read, failed=self._read_failed)
        elif state.needs_fit:
            asked = state.asked
            assert asked is not None

            def fitted(fit: object) -> None:
                state.take_fit(asked, fit)  # type: ignore[arg-type]
                self._done()

            def refused(sentence: str) -> None:
                state.take_refusal(asked, sentence)
                self._done()

            self._ask("Fitting", fit_asked, asked, done=fitted, failed=refused)
        elif self.background.is_busy:
            self.background.cancel()
            self.work.words = ""
        else:
            self.work.words, self.work.again = "", False

    @property
    def _wanted(self) -> str:
        """What reading and fit follow from, as a text to compare by."""
        state = self.state
        files = [(slot, given.name, len(given.content)) for slot, given in sorted(state.files.items())]
        if state.is_recording:
            files = [(0, role, id(reading)) for role, reading in state.recording.takes.items()]
        apart = {*READING_DEFAULTS, *LIFT_DEFAULTS}
        sweeps = [(key, value) for key, value in state.snapshot.own if key not in apart]
        return repr((files, [given.name for given in state.unread], sweeps))

    def _ask(self, word: str, work: object, *arguments: object, done: object, failed: object) -> None:
        self.work.again = False
        self.work.words = f"{word} …"

        def tick(seconds: float) -> None:
            self.work.words = f"{word} … {seconds:.0f} s"

        self.background.ask(work, *arguments, done=done, failed=failed, tick=tick, broke=self._broke)  # type: ignore[arg-type]

    def _done(self) -> None:
        self.work.words = ""
        self.show()

    def _read_failed(self, sentence: str) -> None:
        self.work.words = f"{capitalized(sentence)}."
        self.work.again = True

    def _broke(self, sentence: str) -> None:
        """Offer to go on where reading or fit came to no end by itself; that is no refusal to keep."""
        self._read_failed(sentence)
        self._stopped = self._wanted

    def _cancel(self) -> None:
        self.background.cancel()
        self._stopped = self._wanted
        self.work.words, self.work.again = "Stopped.", True

    def _again(self) -> None:
        self._stopped = ""
        self._go_on()

    def _residuals(self) -> None:
        fit = self.state.fit
        _, rests = self.state.curves()
        if fit is None or not rests:
            self.rest.value = ""
            return
        words = residual_words(fit)
        drawing = draw_residuals(rests, description=words, width=self.curve.width)
        self.rest.value = f'{drawing}<p class="lab-caption">{escape(words)}</p>'

    def draw(self, width: int) -> str:
        """Return points and fitted lines; nothing while readings are shown."""
        if not self._is_of_curves:
            return ""
        lines, _ = self.state.curves()
        fit = self.state.fit
        description = fit_sentence(fit) if fit is not None else "Measured, not fitted yet."
        title = "Measured and fitted level over frequency"
        return draw_curves(lines, title=title, description=description, width=width, levels=BENCH_DB)

    def compared(self) -> tuple[Rig, str] | None:
        """Return the rig as it is, to compare with the one that has the fitted pickup."""
        fitted = self.state.rig_with_fit() if self._is_of_curves else None
        return None if fitted is None else (self.state.rig, "my rig as it is")

    def sounding_rig(self) -> Rig:
        """Return the rig with the fitted pickup in it; the rig as it is while readings are shown."""
        fitted = self.state.rig_with_fit() if self._is_of_curves else None
        return fitted or self.state.rig

    @property
    def sounding_label(self) -> str:
        """What A is called beside the rig as it is."""
        return "with the fitted pickup"

    # files

    def _file(self, given: GivenFile) -> None:
        self.state.add(given)
        self._stopped = ""
        self.show()

    def _remove(self, key: object = "", **_: object) -> None:
        if str(key).isdecimal():
            self.state.remove(int(str(key)))
            self._stopped = ""
            self.show()

    def _recorded(self, step: str, given: GivenFile) -> None:
        if self.state.is_lifting:
            if step == "calibration":
                self.state.lifting.keep(given)
            elif step in self.state.lifted_notes:
                self.state.lifting.take(step, given)
        elif step == "calibration":
            self.state.recording.keep(given)
        elif step in STEPS:
            self.state.recording.take(step, given)
        self._stopped = ""
        self.show()

    def _steel_sheet(self) -> MadeFile:
        judged = self.state.judged_lifts()
        if judged is None or judged.after is None:
            raise InputError("there is no steel to keep; record a string over a build first")
        return MadeFile(name="shop_steel.toml", kind="application/toml", content=steel_text(judged.after).encode())

    def _calibration(self) -> MadeFile:
        calibration = self.state.recording.calibration(self.state.series)
        if calibration is None:
            raise InputError("the calibration is made of the first three takes; record them first")
        text = interface_sheet_text(replace(calibration, name=f"sound interface, {calibration.made.isoformat()}"))
        return MadeFile(name="interface.toml", kind="application/toml", content=text.encode())

    def _open_plan(self, file: GivenFile) -> None:
        """Take a pickup sheet as the plan; one that the browser had kept, as one to choose."""
        if not file.is_kept:
            self._open_file(file)
            return
        before = self.state.problems
        self.state.open_plan(file.content.decode("utf-8-sig"), file.name, is_kept=True)
        self.show()
        if self.state.problems != before:
            self.actions.said = " ".join(self.state.problems)

    def _field_meter(self) -> MadeFile:
        meter = self.state.meter_to_keep(self.meter_name.value.strip()[:60])
        name = f"{file_stem(meter.name or 'field meter')}.toml"
        return MadeFile(name=name, kind="application/toml", content=field_meter_text(meter).encode())

    def _open_meter(self, file: GivenFile) -> None:
        """Take a kept field meter; one that the browser had kept, where its pieces are still shown."""
        try:
            name = self.state.open_meter(file.content.decode("utf-8-sig"), file.name, is_kept=file.is_kept)
        except UnicodeDecodeError:
            raise InputError(f"{file.name} is not text in UTF-8, which a sheet is") from None
        self.show()
        if not file.is_kept:
            self.actions.said = f"The field meter is {name}."

    def open_sheet(self, text: str, where: str) -> str:
        """Take a pickup sheet as the plan."""
        return f"{self.state.open_plan(text, where)}; it is the plan now"

    def _needed_fit(self) -> Fit:
        if self.state.fit is None:
            raise InputError("there is no fit yet to keep")
        return self.state.fit

    def _into_book(self) -> None:
        """Enter the fit as one piece of evidence on a coil of the workshop book; say what became of it."""
        from labkit.book.records import Session, now
        from labkit.book.sweeps import enter_fit

        try:
            if self.state.is_demo:
                raise InputError("these are the lab's own example sweeps; open sweeps of a coil of yours")
            fit, book = self._needed_fit(), own_book()
            celsius = parse_quantity(f"{self.celsius.value.strip().rstrip('°C ')} °C", "°C")
            session = Session(started_at=now(), label="sweeps", celsius=celsius, celsius_deviation=0.5)
            coil = book.coil(self.serial.value.strip())
            enter_fit(book, coil, fit, session=session)
            said = f"Entered on coil {coil.serial}: one piece of evidence for resistance, inductance and capacitance."
        except InputError as error:
            said = f"{capitalized(str(error))}."
        self.entered.value = f'<p class="lab-note" role="status">{escape(said)}</p>'

    def _pickup_sheet(self) -> MadeFile:
        fit = self._needed_fit()
        text = fit_sheet_text(fit)
        return MadeFile(name=f"{file_stem(fit.name)}.toml", kind="application/toml", content=text.encode())

    def _record(self, *, is_printed: bool) -> MadeFile:
        from labkit.report.fit_paper import fit_paper_html

        fit = self._needed_fit()
        measurements = [measurement for _, measurement in self.state.measurements()]
        html = fit_paper_html(fit, measurements)
        return MadeFile(
            name=f"{file_stem(fit.name)}-fit.html", kind="text/html", content=html.encode(), is_printed=is_printed
        )

    def _readings(self) -> MadeFile:
        judged = self.state.result
        if judged is None:
            raise InputError("there are no readings to keep")
        text = readings_sheet(judged, self.state.field_meter)
        return MadeFile(name="readings.toml", kind="application/toml", content=text.encode())

    def _test_record(self, *, is_printed: bool) -> MadeFile:
        from labkit.report.papers import bench_record_html

        judged = self.state.result
        if judged is None or judged.verdict is None:
            raise InputError("there is no verdict to print yet")
        html = bench_record_html(judged.verdict, notes=(calibration_words(self.state.values, self.state.field_meter),))
        return MadeFile(name="test-record.html", kind="text/html", content=html.encode(), is_printed=is_printed)


panel = rig_panel(lambda rig: MeasurePage(MeasurePageState(rig)))


def _sound_to_play() -> MadeFile:
    played = excitation("sweeps", 48_000)
    return MadeFile(name="sweeps.wav", kind="audio/wav", content=wav_bytes(np.stack([played, played]), 48_000))


def _show(widget: ipywidgets.Widget, wanted: bool) -> None:
    if wanted:
        widget.remove_class("lab-away")
    else:
        widget.add_class("lab-away")
