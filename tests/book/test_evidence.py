"""What a book says for learning: the rules of what counts."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from labkit.book.evidence import REELS_IN_USE, book_evidence
from labkit.book.records import Calibration, Meter, Repair, Session, Spool, SweepFit, WireReading, new_uid
from labkit.pickup.materials.wire import resistance_at_20
from tests.book.books import read, small_book, wound


def test_a_coil_comes_with_its_materials_and_the_room_it_was_read_in(tmp_path):
    book = small_book(tmp_path)
    coil = wound(book, "1", who="M", turns_counted=8000.0)
    book.add(coil, read(book, coil, "resistance", 5900.0, "Ω"))
    said = book_evidence(book)
    (found,) = said.coils
    assert (found.serial, found.who, found.maker, found.turns_counted) == ("1", "M", "first mill", 8000.0)
    assert said.spools[found.spool].label == "reel 12"
    assert said.designs[found.design].name
    (reading,) = found.readings
    assert (reading.value, reading.celsius, reading.deviation) == (5900.0, 23.0, 0.001)
    assert found.left_out == ""


def test_repeats_of_a_session_are_one_reading_and_a_crossed_out_one_does_not_count(tmp_path):
    book = small_book(tmp_path)
    coil = wound(book, "1")
    wrong = read(book, coil, "resistance", 5000.0, "Ω", repeat_no=3)
    book.add(
        coil,
        read(book, coil, "resistance", 5900.0, "Ω"),
        read(book, coil, "resistance", 5910.0, "Ω", repeat_no=2),
        wrong,
    )
    book.cross_out(wrong, "clip")
    (reading,) = book_evidence(book).coils[0].readings
    assert reading.repeats == 2
    assert reading.value == pytest.approx(math.sqrt(5900 * 5910))  # the mean of the logarithms
    assert reading.deviation == pytest.approx(0.001 / math.sqrt(2))


def test_coils_that_must_not_teach_say_why(tmp_path):
    book = small_book(tmp_path)
    bad = wound(book, "1", state="suspect")
    silent, gone, opened, mended = (wound(book, number) for number in "2345")
    repair = Repair(coil=mended.uid, done_at="2026-04-01", what="rewound")
    book.add(bad, silent, gone, opened, mended, repair)
    book.add(
        read(book, bad, "resistance", 5900.0, "Ω"),
        read(book, opened, "resistance", math.inf, "Ω"),
        read(book, mended, "resistance", 5900.0, "Ω", repairs_before=1),
    )
    book.cross_out(gone, "never wound")
    assert {each.serial: each.left_out for each in book_evidence(book).coils} == {
        "1": "marked suspect",
        "2": "nothing read",
        "4": "reads open",
        "5": "read only after a repair",
    }


def test_a_fitted_sweep_is_one_piece_of_evidence(tmp_path):
    book = small_book(tmp_path)
    coil, session = wound(book, "1"), book.records(Session)[0]
    fit = SweepFit(
        coil=coil.uid,
        session=session.uid,
        names="resistance inductance capacitance",
        values="[5900.0, 2.2, 9e-11]",
        covariance="[[1e-4, 0, 0], [0, 1e-4, -1e-5], [0, -1e-5, 4e-4]]",
    )
    book.add(coil, fit)
    (found,) = book_evidence(book).coils
    assert found.readings == ()
    (fitted,) = found.fits
    assert fitted.names == ("resistance", "inductance", "capacitance")
    assert fitted.covariance[1][2] == -1e-5
    book.cross_out(fit, "wrong load box")
    assert book_evidence(book).coils[0].left_out == "nothing read"


def test_a_quality_and_a_parallel_reading_become_series_values(tmp_path):
    book = small_book(tmp_path)
    omega, series, resistance = 2 * math.pi * 1000, 2.2, 6500.0
    quality = omega * series / resistance
    first, second, third, lone = (wound(book, number) for number in "1234")
    book.add(first, second, third, lone)
    lcr = {"hz": 1000.0, "model": "parallel"}
    parallel = series * (1 + 1 / quality**2)
    book.add(
        read(book, first, "inductance", series, "H", hz=1000.0, model="series"),
        read(book, first, "quality", quality, "1", hz=1000.0),
        read(book, second, "inductance", parallel, "H", **lcr),
        read(book, second, "quality", quality, "1", hz=1000.0),
        read(book, third, "inductance", parallel, "H", **lcr),
        read(book, third, "loss_resistance", resistance * (1 + quality**2), "Ω", **lcr),
        read(book, lone, "inductance", parallel, "H", **lcr),
    )
    coils = book_evidence(book).coils
    for coil in coils[:3]:
        values = {each.quantity: each.value for each in coil.readings}
        assert values == {"inductance": pytest.approx(series), "loss_resistance": pytest.approx(resistance)}
    assert coils[3].readings == ()  # a parallel inductance alone says nothing of the series one


def test_ten_metres_on_the_ohmmeter_give_the_wire_at_20_degrees(tmp_path):
    book = small_book(tmp_path)
    spool = book.labelled(Spool, "reel 12")
    ohms = book.labelled(Meter, "bench ohmmeter")
    assert book_evidence(book).spools[spool.uid].ohm_per_m is None
    ten = WireReading(
        spool=spool.uid,
        read_at="2026-03-01",
        length_m=10.0,
        length_deviation=0.01,
        resistance=54.4,
        text_as_typed="54.4 Ω",
        celsius=25.0,
        celsius_deviation=0.5,
        meter=ohms.uid,
    )
    book.add(ten)
    found = book_evidence(book).spools[spool.uid]
    # the meter shows 0.2 % too much of its 1 kΩ
    assert found.ohm_per_m == pytest.approx(float(resistance_at_20(resistance=5.44, temperature_c=25.0)) / 1.002)
    # 0.1 % of length, 0.2 % of half a kelvin, 0.1 % of repeating it, and the meter's check
    assert 0.0022 < found.ohm_deviation < 0.0026
    book.add(replace(ten, uid="again", resistance=54.5))
    assert book_evidence(book).spools[spool.uid].ohm_deviation < found.ohm_deviation


def test_checks_of_a_meter_give_its_gain_and_those_that_disagree_widen_it(tmp_path):
    book = small_book(tmp_path)
    ohms = book.labelled(Meter, "bench ohmmeter")
    once = book_evidence(book).meters[ohms.uid]
    assert once.gain == pytest.approx(math.log(1.002))
    second = Calibration(
        meter=ohms.uid, done_at="2026-06-02", piece="10 kΩ", known=1e4, known_deviation=1.0, shown=9950.0
    )
    book.add(second)
    both = book_evidence(book).meters[ohms.uid]
    assert both.gain_deviation > 10 * once.gain_deviation
    book.cross_out(second, "cold solder joint")
    assert book_evidence(book).meters[ohms.uid].gain == once.gain
    lcr = book.labelled(Meter, "bridge")
    assert book_evidence(book).meters[lcr.uid].gain_deviation == pytest.approx(0.02 / 1.96, rel=1e-3)


def test_only_the_designs_and_the_newest_coils_that_are_asked_for_are_read(tmp_path):
    book = small_book(tmp_path)
    for number, day in (("1", "2026-03-07"), ("2", "2026-03-05"), ("3", "2026-03-06")):
        coil = wound(book, number, wound_at=day)
        book.add(coil, read(book, coil, "resistance", 5900.0, "Ω"))
    newest = book_evidence(book, newest=2).coils
    assert [each.serial for each in newest] == ["1", "3"]
    assert all(each.readings for each in newest)
    assert [each.serial for each in book_evidence(book, until="2026-03-06").coils] == ["2", "3"]
    session = book.records(Session)[0].uid
    assert len(book_evidence(book, newest=1, session=session).coils) == 3, "all were read in that one session"
    old = wound(book, "4", wound_at="2020-01-01", spool=None)
    book.add(old, *(wound(book, f"n{number}", wound_at="2026-04-01", spool=None) for number in range(10)))
    of_reel = [each.serial for each in book_evidence(book, newest=10).coils if each.spool]
    assert of_reel == ["1"], "a spool in use keeps a tenth beside the newest of the design"
    later = [replace(book.labelled(Spool, "reel 12"), uid=new_uid(), label=f"next {n}") for n in range(REELS_IN_USE)]
    book.add(*later, *(wound(book, f"r{each.label}", wound_at="2026-03-30", spool=each.uid) for each in later))
    taken = {each.serial for each in book_evidence(book, newest=10).coils if each.spool}
    assert len(taken) == REELS_IN_USE
    assert "1" not in taken, "a reel that so many were wound from after is taken as empty"
    assert book_evidence(book, designs=["another"]).coils == ()
    assert len(book_evidence(book, designs=[newest[0].design]).coils) == 14 + REELS_IN_USE
