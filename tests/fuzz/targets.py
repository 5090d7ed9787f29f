"""What is fuzzed: one function per reader of outside input, from bytes to silence or a raised fault.

Each target keeps one promise: the reader gives a value that is sound and survives being written and read again, or it
refuses with the project's own error in one line. Everything else is a fault: another exception, a message of several
lines, a value that is not finite, or a value that changes on its way out and in.

Targets know nothing of the engine that feeds them: hypothesis, the coverage-guided runner (``python -m tests.fuzz``)
and the kept seeds all call the same functions.
"""

from __future__ import annotations

import atexit
import math
import os
import re
import shutil
import tempfile
import warnings
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from labkit.core.errors import InputError, LabkitError

LONGEST_MESSAGE = 2000
"""Characters; what a terminal shows without scrolling. A message never repeats a whole file."""

Target = Callable[[bytes], bool]
"""True where the input was read, False where it was refused; a fault is an exception."""


def refused(error: LabkitError) -> bool:
    """Check a refusal: the project's own error about the input, one line, not the file over again."""
    text = str(error)
    assert isinstance(error, InputError), f"{type(error).__name__} is no InputError: {text}"
    assert text.strip(), "a refusal without words"
    assert len(text.splitlines()) == 1, f"a message of several lines: {text!r}"
    assert len(text) <= LONGEST_MESSAGE, f"a message of {len(text)} characters: {text[:200]!r}"
    return False


@cache
def workshop() -> Path:
    """A folder of this process for readers that take paths; in memory where the system has such a place."""
    memory = Path("/dev/shm")
    folder = tempfile.mkdtemp(dir=memory if os.access(memory, os.W_OK) else None, prefix="labkit-fuzz-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(folder)


def quantity(data: bytes) -> bool:
    """The quantity reader: the first byte chooses the unit, the rest is the text."""
    from labkit.core.units import UNITS, format_quantity, parse_quantity

    units = list(UNITS)
    unit = units[data[0] % len(units)] if data else units[0]
    text = data[1:].decode("utf-8", "replace")
    try:
        value = parse_quantity(text, unit)
    except LabkitError as error:
        return refused(error)
    assert isinstance(value, float)
    assert math.isfinite(value)
    again = parse_quantity(format_quantity(value, unit), unit)
    assert again == value, f"{text!r} is {value!r}, written {format_quantity(value, unit)!r}, read {again!r}"
    return True


_GRID = np.array([20.0, 1_000.0, 20_000.0])


def sheet(data: bytes) -> bool:
    """The sheet reader: a sheet of any kind that the catalogue knows, as one file of a stranger."""
    from labkit.catalogue import catalogue
    from labkit.core.sheet import parse_sheet

    try:
        table = parse_sheet(data.decode("utf-8", "replace"), "fuzzed.toml")
        kind = table.text("sheet")
        for name in ("name", "summary", "source", "note", "doubt"):  # as the catalogue does: words for people
            table.asked.setdefault(name)
        readers = catalogue().readers
        if kind not in readers:
            return False
        thing = readers[kind](table)
    except LabkitError as error:
        return refused(error)
    try:
        _use(kind, thing)
    except LabkitError as error:
        refused(error)
    _written_and_read_again(kind, thing)
    return True


def _use(kind: str, thing: Any) -> None:
    """What the lab does next with it; a circuit that cannot be solved may still be refused here."""
    if kind == "rig":
        with np.errstate(all="ignore"), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            thing.response(_GRID)


def _written_and_read_again(kind: str, thing: Any) -> None:
    from labkit.core.sheet import parse_sheet, sheet_text
    from labkit.pickup.sheet import pickup_data, read_pickup
    from labkit.rig.harness import harness_data, read_harness
    from labkit.rig.sheet import read_rig, rig_data
    from labkit.sound.take.sheet import read_take, take_data

    writers: dict[str, tuple[Callable[[Any], dict[str, Any]], Callable[[Any], Any]]] = {
        "rig": (rig_data, read_rig),
        "pickup": (pickup_data, read_pickup),
        "harness": (harness_data, read_harness),
        "take": (take_data, read_take),
    }
    if kind not in writers:
        return
    write, read = writers[kind]
    text = sheet_text(kind, {key: value for key, value in write(thing).items() if key not in ("sheet", "format")})
    again = read(parse_sheet(text, "written.toml"))
    assert write(again) == write(thing), f"a {kind} changed on its way out and in"


SWEEP_ENDINGS = (".csv", ".s1p", ".txt", ".s2p", ".ts", ".xlsx")

WORKSHEET = 6
"""First byte, modulo the endings and this one more, for a worksheet that is packed here: rows and cells between tabs.

An engine that turns bits cannot keep a packed file whole, so its inside gets a way of its own.
"""


def _workbook(text: str) -> bytes:
    import io
    import zipfile
    from xml.sax.saxutils import escape

    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    rows = [
        "".join(f'<c t="inlineStr"><is><t>{escape(cell)}</t></is></c>' for cell in line.split("\t"))
        if number == 0
        else "".join(f"<c><v>{escape(cell)}</v></c>" for cell in line.split("\t"))
        for number, line in enumerate(text.split("\n"))
    ]
    sheet = "".join(f"<row>{row}</row>" for row in rows)
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types"><Override PartName="/xl/workbook.xml" '
        'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="a" Type="{office}/'
        'officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets><sheet name="s" sheetId="1" r:id="b"/>'
        "</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="b" '
        f'Type="{office}/worksheet" Target="worksheets/s.xml"/></Relationships>',
        "xl/worksheets/s.xml": f'<worksheet xmlns="{main}"><sheetData>{sheet}</sheetData></worksheet>',
    }
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w") as packed:
        for part, content in parts.items():
            packed.writestr(part, content)
    return raw.getvalue()


def sweep(data: bytes) -> bool:
    """The sweep readers: the first byte chooses the file's ending, the rest is the file."""
    from labkit.bench.read.sweep_reader import parse_sweep, read_sweep

    chosen = data[0] % (len(SWEEP_ENDINGS) + 1) if data else 0
    path = workshop() / f"sweep{SWEEP_ENDINGS[chosen - (chosen == WORKSHEET)]}"
    path.write_bytes(_workbook(data[1:].decode("utf-8", "replace")) if chosen == WORKSHEET else data[1:])
    try:
        found = read_sweep(path)
    except LabkitError as error:
        return refused(error)
    assert np.all(np.isfinite(found.frequency_hz))
    assert np.all(found.frequency_hz > 0)
    assert np.all(np.diff(found.frequency_hz) > 0)
    assert np.all(np.isfinite(found.magnitude))
    assert np.all(found.magnitude > 0)
    assert all(len(note.splitlines()) == 1 for note in (*found.understood, *found.warnings))
    columns = [found.frequency_hz, found.magnitude] + ([found.phase_deg] if found.phase_deg is not None else [])
    heads = ["Frequency (Hz)", "Impedance (ohm)", "Phase (deg)"][: len(columns)]
    rows = "\n".join(",".join(repr(float(number)) for number in row) for row in zip(*columns))
    again = parse_sweep(f"{','.join(heads)}\n{rows}\n")
    assert np.array_equal(again.frequency_hz, found.frequency_hz)
    # magnitudes pass through a logarithm and back: half a unit of 1e-16, times the size of the logarithm (up to 710)
    assert np.allclose(again.magnitude, found.magnitude, rtol=1e-12, atol=0)
    return True


def spice(data: bytes) -> bool:
    """The netlist reader, and our own deck of what it read."""
    from labkit.circuit.spice.deck import spice_deck
    from labkit.circuit.spice.reading import read_spice, read_sweep

    text = data.decode("utf-8", "replace")
    try:
        circuit = read_spice(text)
        deck = spice_deck(circuit)
    except LabkitError as error:
        return refused(error)
    try:
        frequencies = read_sweep(text)
    except LabkitError as error:
        return refused(error)
    if frequencies is not None:
        assert np.all(np.isfinite(frequencies))
        assert np.all(np.diff(frequencies) > 0), "a sweep that does not rise"
    once = read_spice(deck)
    assert _values(read_spice(spice_deck(once))) == _values(once), "a circuit changed on its way out and in"
    return True


def expression(data: bytes) -> bool:
    """The expressions of a netlist; where arithmetic alone is written, Python has to agree."""
    from labkit.circuit.spice.expression import ExpressionError, evaluate

    text = " ".join(data.decode("utf-8", "replace").split())  # as a joined line of a netlist holds it
    try:
        found = evaluate(text, float, {"load": 2.5, "r1": -1e3, "c": 1e-12}.__getitem__)
    except (ExpressionError, KeyError) as error:
        words = str(error)
        assert len(words.splitlines()) == 1, f"a message of several lines: {words!r}"
        assert len(words) <= LONGEST_MESSAGE
        return False
    assert math.isfinite(found)
    if re.fullmatch(r"[\d.+\-*/() e]*", text) and "**" not in text and "//" not in text:
        numbers = re.sub(r"(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?", lambda match: repr(float(match[0])), text)
        assert found == eval(numbers.strip(), {"__builtins__": {}}), f"{text!r} is {found!r}"
    return True


def _values(circuit: Any) -> list[str]:
    """Kind and value of every element, without the names that a deck has to respell."""
    names = ("resistance", "capacitance", "inductance", "coefficient", "voltage", "gain", "closed")
    return sorted(
        " ".join([type(element).__name__, *(repr(getattr(element, name, None)) for name in names)])
        for element in circuit.elements
    )


def wav(data: bytes) -> bool:
    """The WAV reader."""
    from labkit.core.wav import LONGEST_S, wav_bytes
    from tests.sound.recordings import read_wav

    path = workshop() / "sound.wav"
    path.write_bytes(data)
    try:
        found = read_wav(path)
    except LabkitError as error:
        return refused(error)
    assert found.samples.ndim == 2
    assert found.samples.shape[0] in (1, 2)
    assert 0 < found.samples.shape[1] <= LONGEST_S * found.rate
    assert np.all(np.isfinite(found.samples))
    if np.max(np.abs(found.samples)) <= np.finfo(np.float32).max:
        path.write_bytes(wav_bytes(found.samples, found.rate, sample_format="FLOAT"))
        again = read_wav(path)
        assert again.rate == found.rate
        assert np.array_equal(again.samples, found.samples.astype(np.float32).astype(np.float64))
    return True


_TAKE_EDITS = 6


@cache
def _whole_take() -> np.ndarray:
    """The three sweeps as an interface without a fault gives them back, shape (2, n)."""
    from labkit.bench.recording.excitation import excitation

    played = excitation("sweeps", 44_100)
    noise = np.random.default_rng(1).normal(0, 1e-5, (2, played.size))
    return np.array([played, 0.6 * played]) + noise


def edited_take(data: bytes) -> np.ndarray:
    """Return the whole take with up to six pieces of it spoilt: five bytes each, what, where, how long, how much."""
    samples = _whole_take().copy()
    for begin in range(0, min(len(data), 5 * _TAKE_EDITS), 5):
        what, place, length, size, channel = (*data[begin : begin + 5], 0, 0, 0, 0)[:5]
        start = place * samples.shape[1] // 256
        piece = np.s_[channel % 2 if channel < 200 else slice(None), start : start + 4 ** (length % 10) + 1]
        if what % 8 == 0:
            samples = np.delete(samples, np.arange(start, min(start + size, samples.shape[1])), axis=1)
        elif what % 8 == 1:
            samples[piece] *= (size - 128) / 64
        elif what % 8 == 2:
            samples[piece] = 0.0
        elif what % 8 == 3:
            samples[piece] = np.clip(samples[piece], -size / 1000, size / 1000)
        elif what % 8 == 4:
            samples[piece] += size / 256
        elif what % 8 == 5:
            samples = samples[::-1]
        elif what % 8 == 6:
            samples = samples[:, start:] if size % 2 else samples[:, :start]
        else:
            samples[piece] += np.random.default_rng(size).normal(0, size / 1000, samples[piece].shape)
        if samples.shape[1] == 0:
            break
    return samples


def recording(data: bytes) -> bool:
    """The readers of a sound interface: a sound file, a spoilt take, or a kept calibration, by the first byte."""
    from labkit.bench.recording.interface import interface_sheet_text, parse_interface
    from labkit.bench.recording.recording import Recording, read_recording
    from labkit.bench.recording.take import read_take, words_of

    way, rest = (data[0] % 4, data[1:]) if data else (0, b"")
    try:
        if way == 3:
            kept = parse_interface(rest.decode("utf-8", "replace"), "fuzzed.toml")
            again = parse_interface(interface_sheet_text(kept), "written.toml")
            assert (again.name, again.made, again.signal) == (kept.name, kept.made, kept.signal)
            assert np.array_equal(again.source.frequency_hz, kept.source.frequency_hz)
            return True
        if way == 2:
            found = Recording(name="take.wav", rate=44_100, samples=edited_take(rest))
        else:
            path = workshop() / ("take.wav", "take.flac")[way]
            path.write_bytes(rest)
            found = read_recording(path)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            reading = read_take(found)
    except LabkitError as error:
        return refused(error)
    ratio = reading.ratio
    assert np.all(np.diff(ratio.frequency_hz) > 0)
    assert np.all(np.isfinite(ratio.value))
    assert np.all(np.isfinite(ratio.sigma) & (ratio.sigma >= 0))
    assert len(words_of(reading).splitlines()) == 1
    return True


def lift(data: bytes) -> bool:
    """The reader of a lifted string: a voltage every 10 ms, one byte each, that an 8 kHz input has recorded."""
    from labkit.bench.shim.pulses import LiftRecording, read_lifts

    points = np.frombuffer(data[1:], dtype=np.int8) / 127
    time = np.arange(80 * len(points)) / 80
    level = np.interp(time, np.arange(len(points)), points) if len(points) else points
    loud = 10.0 ** -(data[0] % 6) if data else 1.0
    try:
        recording = LiftRecording(name="e.wav", rate=8000, samples=np.clip(2 * loud * level, -1, 1))
        found = read_lifts(recording, expected=len(data) if data and data[0] > 250 else None)
    except LabkitError as error:
        return refused(error)
    assert found.flux > 0
    assert 0 <= found.deviation < 1
    assert found.freedom >= 1
    assert all(math.isfinite(hz) and hz > 0 for hz in found.corners_hz)
    assert all(math.isfinite(pulse.flux) for pulse in found.pulses)
    starts = [pulse.begin_s for pulse in found.pulses]
    assert starts == sorted(starts)
    assert starts[0] >= 0
    assert found.pulses[-1].end_s <= recording.samples.size / recording.rate
    return True


PAGES = ("rig", "cable", "pots", "winding", "listening", "measure", "trust", "panel", "record", "packed rig")
"""What a page reads from outside: its address, the test kept by the browser, a rig packed into an address."""

_MOST_OPENED = 100
"""Addresses opened by one page before it is made anew: a person does not open more."""


class _Pages:
    def __init__(self) -> None:
        self.made: dict[str, tuple[Any, int]] = {}

    def state(self, page: str) -> Any:
        made, opened = self.made.get(page, (None, 0))
        if made is None or opened >= _MOST_OPENED:
            made, opened = _make(page), 0
        self.made[page] = made, opened + 1
        return made


_pages = _Pages()


@cache
def _cases() -> Any:
    from labkit.cases import load_cases

    return load_cases()


def _make(page: str) -> Any:
    if page == "trust":
        from labkit.app.pages.trust.state import TrustPageState

        return TrustPageState(cases=_cases())
    from labkit.app.pages.cable.state import CablePageState
    from labkit.app.pages.listening.state import ListeningPageState
    from labkit.app.pages.measure.state import MeasurePageState
    from labkit.app.pages.pots.state import PotsPageState
    from labkit.app.pages.rig.state import RigPageState
    from labkit.app.pages.winding.state import WindingPageState

    benches: dict[str, Callable[[], Any]] = {
        "rig": RigPageState,
        "cable": CablePageState,
        "pots": PotsPageState,
        "winding": WindingPageState,
        "listening": ListeningPageState,
        "measure": MeasurePageState,
    }
    return benches[page]()


def page(data: bytes) -> bool:
    """What a page reads from outside: the first byte chooses it, the rest is the text."""
    chosen = PAGES[data[0] % len(PAGES) if data else 0]
    text = data[1:].decode("utf-8", "replace")
    if chosen == "panel":
        return _panel(text)
    if chosen == "record":
        return _record(text)
    if chosen == "packed rig":
        chosen, text = "rig", f"v=1&rig={packed(text)}"
    state = _pages.state(chosen)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        state.open(text)
        problems = tuple(state.problems)
        assert all(sentence.strip() and len(sentence) < LONGEST_MESSAGE for sentence in problems)
        written = state.query
        state.open(written)
        assert not state.problems, f"{text!r} was written {written!r}, and read again: {state.problems}"
        assert state.query == written, f"{text!r} was written {written!r}, then {state.query!r}"
    return not problems


def packed(text: str) -> str:
    """A text packed as a rig sheet travels in an address."""
    import base64
    import zlib

    return "sheet:" + base64.urlsafe_b64encode(zlib.compress(text.encode(), 9)).decode().rstrip("=")


def _panel(text: str) -> bool:
    from labkit.app.kit.panel_page import panel
    from labkit.app.kit.panels import PANEL_FIELD

    before = os.environ.get("QUERY_STRING")
    os.environ["QUERY_STRING"] = f"{PANEL_FIELD}={text}".encode("utf-8", "replace").decode().replace("\0", "")
    try:
        panel()
    finally:
        if before is None:
            del os.environ["QUERY_STRING"]
        else:
            os.environ["QUERY_STRING"] = before
    return True


def _record(text: str) -> bool:
    from labkit.app.pages.listening.run import read_record

    try:
        read_record(text)
    except LabkitError as error:
        return refused(error)
    return True


@cache
def _demo_heading() -> Any:
    from labkit.book.entry import BatchHeading, expected_by
    from labkit.book.records import Design, Meter
    from labkit.core.files import DEMO_BOOK
    from labkit.core.sheet import read_sheet

    data = read_sheet(DEMO_BOOK / "things.toml").tables("design")[0].data
    meters = {
        "ohms": Meter(label="bench", kind="ohms", unit="kΩ"),
        "field": Meter(label="f", kind="field", unit="marks"),
    }
    heading = BatchHeading(design=Design(**data), meters=meters, celsius=22.0)
    return heading, expected_by(heading.plan())


def book(data: bytes) -> bool:
    """The readers of a workshop book: the first byte chooses a pasted batch, or a table or the things of its text."""
    from labkit.book.entry import EntryTable
    from labkit.book.exchange import read_table_text, table_text, thing_from
    from labkit.book.records import RECORDS, CoilReading, WoundCoil
    from labkit.core.sheet import parse_sheet

    chosen = data[0] % 4 if data else 0
    text = data[1:].decode("utf-8", "replace")
    try:
        if chosen == 0:
            heading, expect = _demo_heading()
            rows = EntryTable(heading=heading).pasted(text).understood(expect=expect)
            for row in rows:
                assert all(value.value > 0 or value.column == "height" for value in row.values), row
                assert all(math.isfinite(value.value) or value.words == "open" for value in row.values), row
                assert all(len(said) <= LONGEST_MESSAGE for said in (*row.problems, *row.questions)), row
            return not any(row.problems for row in rows)
        if chosen in (1, 2):
            kind = (CoilReading, WoundCoil)[chosen - 1]
            records = read_table_text(kind, text, "table")
            assert read_table_text(kind, table_text(kind, records), "again") == records
            return True
        things = parse_sheet(text, "things", kinds=("workshop book",))
        for each in RECORDS:
            for table in things.tables(each.table, []):
                thing_from(each, table)
    except LabkitError as error:
        return refused(error)
    return True


TARGETS: dict[str, Target] = {
    "quantity": quantity,
    "sheet": sheet,
    "sweep": sweep,
    "spice": spice,
    "expression": expression,
    "wav": wav,
    "recording": recording,
    "lift": lift,
    "page": page,
    "book": book,
}
"""Targets by name; the names are those of ``python -m tests.fuzz`` and of the folders of seeds."""
