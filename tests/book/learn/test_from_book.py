"""What a book teaches: its own rules of what counts, read from a real file, up to the commands that use it."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from labkit.book.learn.evidence import CAPACITANCE, INDUCTANCE, LOSS, RESISTANCE, Kind, reading_model
from labkit.book.learn.from_book import FIT_INDUCTANCE_HZ, batch_in, judge_session, place_in, taught_by
from labkit.book.learn.prediction import knowledge
from labkit.book.records import Meter, Session, Spool, SweepFit, WireReading
from labkit.book.store import Book
from labkit.cli.main import main
from labkit.pickup.materials.wire import wire
from tests.book.books import DESIGN, read, small_book, wound
from tests.book.learn.detection_study import _shift
from tests.book.learn.shops import KINDS, deviations, drawn, schedule, single_coil

WARM = 23.0
"""°C of the small book's session."""


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    """A book of eight good coils of reel 12, read for R, L and series R at 23 °C."""
    made = small_book(tmp_path)
    past, _ = schedule()
    away = deviations("as stated", drawn("as stated", past[:1] * 8, 1, np.random.default_rng(5)))[0]
    planned = reading_model(single_coil(), KINDS, ()).at(WARM)
    ohms, bridge = (made.labelled(Meter, label) for label in ("bench ohmmeter", "bridge"))
    for number, row in enumerate(away):
        coil = wound(made, f"{number + 1:04d}", machine=None)
        made.add(coil)
        for kind, quantity, unit, meter in (
            (RESISTANCE, "resistance", "Ω", ohms),
            (INDUCTANCE, "inductance", "H", bridge),
            (LOSS, "loss_resistance", "Ω", bridge),
        ):
            value = math.exp(planned[KINDS.index(kind)] + row[KINDS.index(kind)])
            hz = {"hz": kind.frequency_hz, "model": "series"} if kind.frequency_hz else {}
            made.add(read(made, coil, quantity, value, unit, meter=meter.uid, **hz))
    yield made
    made.close()


@pytest.fixture
def run(capsys):
    """Run a command as the shell would: exit code, and everything it said."""

    def said(*arguments: str) -> tuple[int, str]:
        code = main(list(arguments))
        found = capsys.readouterr()
        return code, found.out + found.err

    return said


def test_a_book_narrows_the_next_coil_of_its_spool(book: Book) -> None:
    taught = taught_by(book)
    place = place_in(book, design=DESIGN, spool="reel 12", lot="lot 3")
    known = knowledge(taught.records, next(iter(taught.coils.values())).build, place)
    assert (known.coils, known.of_design, known.of_spool, known.of_lot) == (8, 8, 8, 8)
    first = known.next_readings[0]
    assert first.after.high / first.after.low < 0.6 * first.before.high / first.before.low + 0.4
    assert "wire of the spool" in first.causes


def test_crossing_a_reading_out_counts_at_once(book: Book) -> None:
    before = taught_by(book).records.coils
    for each in book.records(
        type(read(book, book.coil("0001"), "resistance", 1.0, "Ω")), "coil = ?", [book.coil("0001").uid]
    ):
        book.cross_out(each, "wrong coil")
    after = taught_by(book)
    assert (before, after.records.coils) == (8, 7)
    assert "0001" in after.records.left_out


def test_what_is_suspect_does_not_teach_and_is_named(book: Book) -> None:
    from dataclasses import replace

    book.change(replace(book.coil("0003"), state="suspect"))
    taught = taught_by(book)
    assert taught.records.coils == 7
    assert "suspect" in taught.records.left_out["0003"]


def test_the_gain_of_a_checked_meter_is_taken_out(book: Book) -> None:
    """The small book's ohmmeter shows 1002 Ω of 1000 Ω."""
    coil = book.coil("0002")
    typed = next(
        row[0]
        for row in book.query("select value from reading where coil = ? and quantity = 'resistance'", (coil.uid,))
    )
    assert taught_by(book).coils[coil.uid].readings[RESISTANCE] == pytest.approx(typed / 1.002, rel=1e-6)


def test_a_sweep_is_one_piece_of_evidence(book: Book) -> None:
    coil, session = book.coil("0002"), book.records(Session)[0]
    fit = SweepFit(
        coil=coil.uid,
        session=session.uid,
        names="resistance inductance capacitance",
        values="[5900.0, 2.2, 9e-11]",
        covariance="[[1e-4, 0, 0], [0, 4e-4, 0], [0, 0, 4e-4]]",
    )
    book.add(fit, read(book, coil, "peak", 4400.0, "Hz", load_ohm=200e3, load_farad=470e-12))
    taken = taught_by(book).coils[coil.uid].readings
    assert taken[CAPACITANCE] == pytest.approx(9e-11)
    assert Kind(quantity="inductance", frequency_hz=FIT_INDUCTANCE_HZ) not in taken  # the bridge read it
    assert all(kind.quantity != "peak" for kind in taken)


def test_a_peak_into_another_load_teaches_nothing(book: Book) -> None:
    coil = book.coil("0002")
    book.add(read(book, coil, "peak", 7000.0, "Hz", load_ohm=1e6))
    assert all(kind.quantity != "peak" for kind in taught_by(book).coils[coil.uid].readings)


def test_ten_metres_of_a_new_spool_narrow_its_coils(book: Book) -> None:
    new = Spool(label="reel 13", wire="AWG 42 single build", maker="first mill")
    book.add(new)
    place = place_in(book, design=DESIGN, spool="reel 13")
    build = single_coil()
    before = knowledge(taught_by(book).records, build, place).next_readings[0].after
    planned = 10 * 4 * 1.7241e-8 / (math.pi * wire("AWG 42 single build").bare_nominal ** 2)
    book.add(
        WireReading(
            spool=new.uid,
            read_at="2026-03-06",
            length_m=10.0,
            length_deviation=0.01,
            resistance=planned * 1.04,
            text_as_typed="x",
            celsius=20.0,
            celsius_deviation=0.5,
        )
    )
    after = knowledge(taught_by(book).records, build, place).next_readings[0].after
    assert math.log(after.high / after.low) < 0.75 * math.log(before.high / before.low)
    assert after.value > before.value


def test_a_session_is_judged_against_the_other_coils(book: Book) -> None:
    session = book.records(Session)[0]
    coil = wound(book, "0099")
    book.add(coil)
    planned = reading_model(single_coil(), KINDS, ()).at(WARM) + _shift("one gauge thinner", 0)
    book.add(read(book, coil, "resistance", math.exp(planned[KINDS.index(RESISTANCE)]), "Ω"))
    taught = taught_by(book)
    assert len(batch_in(book, session, taught)) == 9
    verdict = judge_session(book, session)[DESIGN]
    assert verdict.past == 0
    assert [each.serial for each in verdict.coils if each.tier == "fault"] == ["0099"]


def test_pickup_command_with_the_book_shows_before_and_after(book: Book, run) -> None:
    code, said = run("pickup", DESIGN, "--book", str(book.path), "--spool", "reel 12", "--lot", "lot 3")
    assert code == 0
    assert "With the book: 8 coils" in said
    assert "without the book" in said
    found = json.loads(run("pickup", DESIGN, "--json", "--book", str(book.path), "--spool", "reel 12")[1])
    plain = json.loads(run("pickup", DESIGN, "--json")[1])
    own, other = (each["total"]["resistance_ohm"] for each in (found, plain))
    assert math.log(own["high"] / own["low"]) < 0.6 * math.log(other["high"] / other["low"])
    assert found["knowledge"]["used"]["of_spool"] == 8
    assert "knowledge" not in plain


def test_tolerance_command_with_the_book_is_narrower(book: Book, run) -> None:
    rng = np.random.default_rng(9)
    for number in range(8):  # a capacitance of its own for every coil, 4 % apart
        coil = book.coil(f"{number + 1:04d}")
        book.add(read(book, coil, "capacitance", 95e-12 * math.exp(0.04 * rng.normal()), "F"))
    options = ("tolerance", DESIGN, "--count", "512", "--points", "64", "--json")
    narrow = json.loads(run(*options, "--book", str(book.path), "--spool", "reel 12", "--lot", "lot 3")[1])
    wide = json.loads(run(*options)[1])

    def spread(found: dict) -> float:
        bands = found["bands_db"]
        return float(np.max(np.subtract(bands["p95"], bands["p5"])))

    assert spread(narrow) < 0.8 * spread(wide)
    assert narrow["knowledge"]["pickup"]["used"]["coils"] == 8
    assert "knowledge" not in wide


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--spool", "reel 12"), "--book FILE"),
        (("--book", "BOOK", "--spool", "reel 21"), "reel 12"),
        (("--book", "missing.book"), "missing.book"),
    ],
)
def test_a_wrong_book_or_spool_is_one_sentence(book: Book, run, options: tuple[str, ...], words: str) -> None:
    given = [str(book.path) if each == "BOOK" else each for each in options]
    code, said = run("pickup", DESIGN, *given)
    assert code == 2
    assert words in said
    assert len(said.strip().splitlines()) == 1


def test_a_sheet_of_values_has_nothing_to_learn(book: Book, run) -> None:
    code, said = run("pickup", "narrow single coil", "--book", str(book.path))
    assert code == 2
    assert "sheet of values" in said
    code, said = run("tolerance", "narrow single coil", "--book", str(book.path))
    assert code == 2
    assert "known by its build" in said


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> Path:
    """The demo book, with its two planted stories."""
    file = tmp_path_factory.mktemp("demo") / "demo.book"
    assert main(["book", "new", str(file), "--demo"]) == 0
    return file


def test_the_worn_counter_of_the_demo_book_is_found(demo: Path, run) -> None:
    code, said = run("book", "judge", "batch 10", "--book", str(demo), "--json")
    assert code == 1
    found = json.loads(said)["designs"][0]
    assert found["common_shift"][0]["causes"] == ["counter"]
    assert found["common_shift"][0]["p"] > 0.6
    worst = min(found["coils"], key=lambda coil: coil["p_good"])
    assert (worst["serial"], worst["causes"][0]["cause"]) == ("0160", "number of turns")
    assert "0160" in run("book", "judge", "batch 10", "--book", str(demo))[1]


def test_a_batch_is_judged_by_what_went_before_it_and_names_a_cause_once(demo: Path, run) -> None:
    """The counter began to wear in batch 8: batch 10, which wore on, must not make that look as expected."""
    code, said = run("book", "judge", "batch 8", "--book", str(demo), "--json")
    assert code == 0
    found = json.loads(said)["designs"][0]
    assert found["past_coils"] == 42
    shift = next(each for each in found["shift"] if each["quantity"].startswith("inductance"))
    assert shift["high"] < 0
    causes = [tuple(each["causes"]) for each in found["common_shift"]]
    assert ("counter",) in causes
    assert ("bobbin",) in causes, "its height and its length move the readings differently, and both may be off"
    assert len(causes) == len(set(causes))


def test_the_warm_afternoon_of_the_demo_book_is_not_blamed_on_one_cause(demo: Path, run) -> None:
    code, said = run("book", "judge", "batch 5", "--book", str(demo), "--json")
    assert code == 0
    found = json.loads(said)["designs"][0]
    assert {"room's temperature", "wire of the spool"} <= set(found["common_shift"][0]["causes"])
    assert all(coil["tier"] == "good" for coil in found["coils"])


def test_a_book_of_many_coils_teaches_by_the_newest_and_says_so(book: Book, monkeypatch) -> None:
    monkeypatch.setattr("labkit.book.learn.from_book.NEWEST", 5)
    taught = taught_by(book)
    assert (len(taught.coils), taught.records.unread) == (5, 3)
    known = knowledge(taught.records, single_coil(), place_in(book, design=DESIGN, spool="reel 12"))
    assert (known.coils, known.passed_over) == (5, 3)
    assert "3 older coils passed over" in known.sentence


def test_the_book_says_what_it_knows(demo: Path, run) -> None:
    code, said = run("book", "knows", "Saltmarsh Lane, neck", "--book", str(demo), "--spool", "reel 11")
    assert code == 0
    assert "60 coils, 30 of this design and 12 of this spool" in " ".join(said.split())
    code, said = run("book", "judge", "batch 11", "--book", str(demo))
    assert code == 2
    assert "batch 1" in said
