"""Coils over the months: limits that find planted steps and leave mere scatter alone, and a capability that covers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.book.chart import capability_of, chart
from labkit.book.records import Session, Spool
from labkit.core.errors import InputError
from labkit.pickup.materials.wire import copper_resistivity
from tests.book.books import DESIGN, read, small_book, wound

SCATTER = 0.006


def charted(folder, off, *, sessions=None, spools=None, **wanted):
    """Return the chart of coils that are off the plan by so much (ln) and scatter by 0.6 %."""
    book = small_book(folder)
    plan = 5806.3
    random = np.random.default_rng(3)
    made = {}
    for index, step in enumerate(off):
        label = "reel 12" if spools is None else spools[index]
        if label != "reel 12" and not book.records(Spool, "label = ?", [label]):
            book.add(Spool(label=label, wire="AWG 42 single build"))
        name = "batch 1" if sessions is None else sessions[index]
        if name not in made:
            made[name] = Session(started_at=f"2026-03-{len(made) + 1:02d}", label=name, celsius=20.0)
            book.add(made[name])
        coil = wound(book, f"{index:04d}", spool=book.labelled(Spool, label).uid)
        ohms = plan * math.exp(step + random.normal(0, SCATTER))
        book.add(coil, read(book, coil, "resistance", ohms, "Ω", session=made[name].uid))
    return chart(book, DESIGN, **wanted), book


def test_scatter_alone_stays_inside_its_limits(tmp_path):
    found, _ = charted(tmp_path, [0.0] * 40)
    assert len(found.points) == 40
    assert sum(point.is_outside for point in found.points) <= 1  # three deviations leave 3 of 1000 outside
    assert found.deviation == pytest.approx(SCATTER, rel=0.35)  # a median of 39 differences is good to some 20 %
    assert not [said for said in found.sentences if "session" in said or "in a row" in said]


def test_one_faulty_coil_is_outside_and_does_not_widen_the_limits(tmp_path):
    off = [0.0] * 20
    off[11] = -0.05
    found, _ = charted(tmp_path, off)
    assert [point.serial for point in found.points if point.is_outside] == ["0011"]
    assert "outside the limits of their spool: 0011" in found.sentences


def test_a_warm_session_and_a_new_spool_are_said_as_steps(tmp_path):
    sessions = ["morning"] * 10 + ["afternoon"] * 10 + ["next day"] * 10
    spools = ["reel 12"] * 20 + ["reel 13"] * 10
    found, _ = charted(tmp_path, [0.0] * 10 + [0.04] * 10 + [-0.03] * 10, sessions=sessions, spools=spools)
    said = " | ".join(found.sentences)
    assert "session afternoon: its 10 coils 0010 to 0019 lie +" in said
    assert "0020: from reel 12 to reel 13, first coils lie -" in said
    outside = {point.serial for point in found.points if point.is_outside}
    assert {f"{number:04d}" for number in range(10, 20)} <= outside
    assert len(outside) <= 11  # and at most one of the twenty that only scatter
    assert [run.count for run in found.runs] == [20, 10]
    assert "session next day" not in said  # all of reel 13 was read then: nothing of that spool to compare with


def test_a_warm_coil_is_held_against_a_warm_plan(tmp_path):
    found, book = charted(tmp_path, [0.0] * 8)
    warm = Session(started_at="2026-07-01", label="heat", celsius=30.0)
    book.add(warm)
    coil = wound(book, "warm", wound_at="2026-07-01")
    ratio = float(copper_resistivity(temperature_c=30.0) / copper_resistivity(temperature_c=20.0))
    book.add(coil, read(book, coil, "resistance", 5806.3 * ratio, "Ω", session=warm.uid))
    (point,) = [each for each in chart(book, DESIGN).points if each.serial == "warm"]
    assert abs(point.off - np.median([each.off for each in found.points])) < 3 * SCATTER


def test_limits_and_capability_wait_for_enough_coils(tmp_path):
    few, _ = charted(tmp_path, [0.0] * 5)
    assert (few.deviation, few.capability) == (None, None)
    assert "no limits yet" in " ".join(few.sentences)
    assert "needs 25 good coils, there are 5" in " ".join(few.sentences)


def test_capability_covers_what_it_says_for_normal_coils():
    random = np.random.default_rng(11)
    true = (math.log1p(0.05) - 0.01) / (3 * 0.01)
    inside = 0
    for _ in range(800):
        found = capability_of(random.normal(0.01, 0.01, 25), math.log1p(0.05))
        inside += found.low <= true <= found.high
    assert 0.92 < inside / 800 < 0.98  # ± 0.015 is two standard errors of 800; the formula is approximate


def test_a_chart_that_cannot_be_drawn_says_why(tmp_path):
    _, book = charted(tmp_path, [0.0] * 2)
    with pytest.raises(InputError, match="Did you mean 'peak'"):
        chart(book, DESIGN, "peek")
    with pytest.raises(InputError, match=r"no coil of .* has a capacitance"):
        chart(book, DESIGN, "capacitance")
    with pytest.raises(InputError, match="Did you mean"):
        chart(book, "narrow single")
    with pytest.raises(InputError, match="below 100 %"):
        chart(book, DESIGN, tolerance=2.0)
