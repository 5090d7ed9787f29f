"""A fitted sweep in a book: one piece of evidence with its own covariance."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from labkit.bench.fit.fit import fit_sweeps
from labkit.bench.fit.fixture import Fixture, Measurement
from labkit.bench.read.sweep_reader import parse_sweep
from labkit.book.evidence import book_evidence
from labkit.book.records import Session, SweepFit
from labkit.book.sweeps import enter_fit
from labkit.cli.main import main
from labkit.core.errors import InputError
from tests.book.books import small_book, wound

FREQUENCY = np.geomspace(60.0, 15_000.0, 40)
OMEGA = 2 * np.pi * FREQUENCY
IMPEDANCE = 1 / (1 / (5900 + 2.2j * OMEGA) + 120e-12j * OMEGA)
TABLE = "Frequency [Hz],Impedance [ohm]\n" + "".join(f"{f:.4f},{abs(z):.6g}\n" for f, z in zip(FREQUENCY, IMPEDANCE))


@pytest.fixture(scope="module")
def fit():
    sweep = parse_sweep(TABLE, name="bare.csv")
    return fit_sweeps([Measurement(sweep=sweep, fixture=Fixture(kind="impedance"))], sections=0)


def test_a_fit_is_one_evidence_as_wide_as_its_own_intervals(tmp_path, fit):
    book = small_book(tmp_path)
    coil, session = wound(book, "0114"), book.records(Session)[0]
    book.add(coil)
    enter_fit(book, coil, fit, session=session)
    (found,) = book_evidence(book).coils
    assert (found.readings, found.left_out) == ((), "")
    (evidence,) = found.fits
    assert dict(zip(evidence.names, evidence.values))["inductance"] == pytest.approx(2.2, rel=0.01)
    for place, name in enumerate(evidence.names):
        interval = getattr(fit, name)
        half = math.log(interval.high / interval.low) / 2
        # the interval takes Student's quantile for few degrees of freedom, 40 points make it 4 % wider
        assert 1.96 * math.sqrt(evidence.covariance[place][place]) == pytest.approx(half, rel=0.08)
    assert np.all(np.linalg.eigvalsh(evidence.covariance) >= 0)
    with pytest.raises(InputError, match="in the book already"):
        enter_fit(book, coil, fit, session=session)


def test_a_fit_without_temperature_or_covariance_is_refused(tmp_path, fit):
    from dataclasses import replace

    book = small_book(tmp_path)
    coil, session = wound(book, "0114"), book.records(Session)[0]
    book.add(coil)
    with pytest.raises(InputError, match="needs the temperature"):
        enter_fit(book, coil, fit, session=Session(started_at="2026-03-05"))
    with pytest.raises(InputError, match="without its covariance"):
        enter_fit(book, coil, replace(fit, rivals=()), session=session)
    assert book.records(SweepFit) == []
    assert len(book.records(Session)) == 1


def test_labkit_fit_enters_its_result(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    book = small_book(tmp_path)
    book.add(wound(book, "0114"))
    Path("bare.csv").write_text(TABLE)
    command = ["fit", "bare.csv", "--sections", "0", "--book", "workshop.book"]
    assert main(command) == 2
    assert "--serial 0114 --temperature" in capsys.readouterr().err
    assert main([*command, "--serial", "0114", "--temperature", "22 °C ± 1"]) == 0
    assert "entered as one sweep of coil 0114" in capsys.readouterr().err
    (kept,) = book.records(SweepFit)
    assert json.loads(kept.values)[1] == pytest.approx(2.2, rel=0.01)
    assert main(["book", "coil", "0114", "--book", "workshop.book"]) == 0
    assert "fitted sweep" in capsys.readouterr().out
