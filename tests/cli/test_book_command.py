"""The workshop book at the command line, as a winder uses it over a week."""

from __future__ import annotations

import json
import re

import pytest

from labkit.catalogue import catalogue
from labkit.core.sheet import sheet_text
from labkit.rig.sheet import load_rig, rig_data

DESIGN = "narrow single coil, built"
TABLE = """serial,ohms,henries,loss
0114,5.81,2.19,6025
0115,5.83,2.20,6050
0116,5.50,2.20,6000
"""


@pytest.fixture
def room(labkit, tmp_path, monkeypatch):
    """A folder with a book of one spool, lot, two meters and a batch of three coils."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LABKIT_BOOK", "w.book")
    (tmp_path / "b.csv").write_text(TABLE)
    for line in (
        ("new", "w.book", "--name", "my room"),
        ("spool", "reel 12", "--wire", "AWG 42 single build", "--weight", "450 g", "--maker", "first mill"),
        ("magnets", "lot 3", "--grade", "Alnico 5", "--count", "120"),
        ("machine", "left machine"),
        ("bobbin", "moulded"),
        ("meter", "bench", "--kind", "ohms", "--unit", "kΩ", "--accuracy", "0.5 %"),
        ("meter", "bridge", "--kind", "lcr", "--accuracy", "2 %"),
        (
            *("batch", "b.csv", "--design", DESIGN, "--spool", "reel 12", "--magnets", "lot 3", "--machine"),
            *("left machine", "--bobbin", "moulded", "--meter", "bench", "--meter", "bridge", "--temperature"),
            *("23 °C ± 1", "--label", "batch 1", "--who", "M", "--wound", "2026-03-05"),
        ),
    ):
        outcome = labkit("book", *line)
        assert (outcome.code, outcome.err) == (0, ""), outcome
    return tmp_path


def test_a_batch_is_entered_and_found_with_all_that_it_was_made_from(labkit, room):
    found = json.loads(labkit("book", "find", "reel 12", "ohms > 5.6k", "--json").out)["coils"]
    assert [coil["serial"] for coil in found] == ["0114", "0115"]
    assert found[0]["resistance_ohm"] == 5810.0
    assert {found[0][key] for key in ("magnets", "machine", "bobbin", "who")} == {
        "lot 3",
        "left machine",
        "moulded",
        "M",
    }
    text = labkit("book", "find", "reel 12").out
    assert "0114    narrow single coil, built  reel 12  2026-03-05  5.810 kΩ" in text
    assert labkit("book", "find", "reel 12", "--csv").out.splitlines()[1].startswith("0114,leads,")
    assert labkit("book", "find", "reel 13").out == "no coil is like that\n"


def test_trying_enters_nothing_and_a_question_stops_the_whole_batch(labkit, room):
    (room / "more.csv").write_text("serial,ohms\n0117,5.8\n0118,5812\n")
    tried = labkit("book", "batch", "more.csv", "--design", DESIGN, "--meter", "bench", "--try")
    assert tried.code == 0
    assert "Is it 5.812 kΩ?" in tried.out
    refused = labkit("book", "batch", "more.csv", "--design", DESIGN, "--meter", "bench")
    assert refused.code == 2
    assert "coil 0118: ohms: '5812' was understood as 5.812 MΩ" in refused.err
    assert len(json.loads(labkit("book", "find", "--json").out)["coils"]) == 3


def test_the_page_of_a_coil_keeps_crossed_out_readings_and_changes_in_sight(labkit, room):
    assert labkit("book", "cross-out", "0115", "--reading", "ohms", "--why", "clip slipped").code == 0
    assert labkit("book", "mark", "0115", "--state", "suspect", "--left", "2026-04-01").code == 0
    assert labkit("book", "note", "0115", "dark lacquer").code == 0
    assert labkit("book", "repair", "0115", "lead renewed", "--on", "2026-05-01").code == 0
    text = labkit("book", "coil", "0115").out
    for said in (
        "5.830 kΩ ('5.83')",
        "crossed out: clip slipped",
        "state from good to suspect, left_on from nothing to 2026-04-01",
        "note: dark lacquer",
        "repair: lead renewed",
    ):
        assert said in text
    data = json.loads(labkit("book", "coil", "0115", "--json").out)
    assert [each["crossed_out"] for each in data["readings"]] == ["clip slipped", None, None]
    assert "resistance_ohm" not in data
    assert labkit("book", "cross-out", "0115", "--reading", "ohms", "--restore").code == 0
    assert json.loads(labkit("book", "coil", "0115", "--json").out)["resistance_ohm"] == 5830.0
    assert labkit("book", "cross-out", data["readings"][1]["uid"], "--why", "probe").out.startswith("reading ")


def test_stock_counts_down_and_pairs_and_sets_are_judged(labkit, room):
    stock = json.loads(labkit("book", "stock", "--json").out)
    (reel,) = stock["spools"]
    assert reel["coils"] == 3
    assert reel["left_m"]["low"] < reel["left_m"]["value"] < 15_400  # 450 g of this wire less three coils
    assert stock["magnets"][0]["left"] == 120 - 18
    pairs = json.loads(labkit("book", "pairs", "--json").out)
    assert pairs["pairs"][0]["hum_db"] < -34
    assert len(pairs["pairs"]) == 1
    assert len(pairs["left_over"]) == 1
    found = json.loads(labkit("book", "sets", "0114", "0115", "--as", "neck", "--as", "bridge", "--json").out)
    assert set(found["levels_db"]) == {"neck", "bridge"}
    assert found["pairs"][0]["hum_cancels"] is False
    assert "enough for" in labkit("book", "stock").out
    assert "left over" in labkit("book", "pairs").out
    assert "hum adds" in labkit("book", "sets", "0114", "0115").out


def test_a_chart_says_what_it_cannot_say_yet(labkit, room):
    shown = labkit("book", "chart", DESIGN, "--quantity", "henries")
    assert shown.code == 0
    assert "needs 25 good coils, there are 3" in shown.out
    data = json.loads(labkit("book", "chart", DESIGN, "--json").out)
    assert [point["serial"] for point in data["points"]] == ["0114", "0115", "0116"]
    assert data["capability"] is None


PAPERS = (
    (("card", DESIGN, "--count", "2", "--spool", "reel 12", "--magnets", "lot 3"), ("0117", "0118", "reel 12", "Wax")),
    (("batch",), ("0114", "0116", "batch 1", "Reel of wire")),
    (("coil", "0115"), ("Coil 0115", "5.83", "<svg")),
    (("test", "0114"), ("No. 0114", "5.810 kΩ")),
    (("customer", "0114", "--number", "R-7", "--shop", "another name"), ("R-7", "another name", "0114")),
    (("reels",), ("reel 12", "Left when printed")),
    (("reels", "reel 12", "--date", "5 March"), ("5 March", "first mill")),
)


@pytest.mark.parametrize(("asked", "said"), PAPERS, ids=lambda each: each[0])
def test_every_paper_of_the_book_is_one_file_that_asks_for_nothing_outside(labkit, room, asked, said):
    outcome = labkit("book", "paper", *asked, "--output", "paper.html")
    assert (outcome.code, outcome.out) == (0, ""), outcome
    html = (room / "paper.html").read_text().replace("\u00a0", " ")
    assert all(words in html for words in said), [words for words in said if words not in html]
    assert "my room" in html or "--shop" in asked, "the book's own name is that of the shop"
    assert not re.search(r"(src|href)=.?https?:", html)


def test_the_winders_sheet_is_predicted_with_the_book_and_says_so(labkit, room):
    labkit("book", "mark", "0116", "--state", "suspect")
    plain = labkit("report", DESIGN).out
    told = labkit("report", DESIGN, "--book", "w.book", "--spool", "reel 12", "--lot", "lot 3").out
    assert "with the workshop book: 2 coils" in told.replace("With", "with")
    ohms = [re.search(r"([\d.]+).kΩ \(([\d.]+).kΩ to ([\d.]+).kΩ\)", html) for html in (plain, told)]
    wide, narrow = (float(each[3]) - float(each[2]) for each in ohms)
    assert narrow < 0.8 * wide
    refused = labkit("report", "narrow single coil", "--book", "w.book")
    assert (refused.code, "sheet of values" in refused.err) == (2, True)


@pytest.fixture
def rig_file(tmp_path):
    """A rig with a pickup that is described by its build."""
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    table = dict(catalogue().item("pickup", DESIGN).table().data)
    text = sheet_text("rig", {**rig_data(rig), "name": "bench rig", "pickups": {"bridge": table}})
    (tmp_path / "rig.toml").write_text(text)
    return "rig.toml"


def test_a_rig_s_curve_and_searches_are_predicted_with_the_book_and_say_so(labkit, room, rig_file):
    labkit("book", "mark", "0116", "--state", "suspect")
    told = ("--book", "w.book", "--spool", "reel 12", "--lot", "lot 3")
    asks = (
        ("response", rig_file),
        ("search", "longest cable", "--rig", rig_file),
        ("tolerance", rig_file, "--count", "64"),
    )
    for ask in asks:
        plain, with_it = (json.loads(labkit(*ask, *more, "--json").out) for more in ((), told))
        assert "knowledge" not in plain
        assert with_it["knowledge"]["bridge"]["used"]["of_spool"] == 2
        assert {key: value for key, value in with_it.items() if key != "knowledge"} != plain, ask
        assert "bridge with the book: 2 coils" in labkit(*ask, *told).out
    ask = ("search", "turns and wire", "--rig", rig_file, "--like", rig_file, "--wire", "AWG 42 single build")
    assert "is not carried over" in labkit(*ask, *told).out
    assert "is not carried over" not in labkit(*ask).out


def test_a_goal_is_searched_with_the_book_unless_it_changes_what_is_wound(labkit, room, rig_file, tmp_path):
    goal = 'sheet = "goal"\nformat = 1\nname = "nearer"\nrig = "./rig.toml"\n[target]\nresonance = "3.2 kHz"\n'
    (tmp_path / "cable.toml").write_text(goal + '[[vary]]\npart = "cable.length"\nfrom = "1 m"\nto = "9 m"\n')
    turns = '[[vary]]\npart = "bridge.coil.main.turns"\nchoices = ["7000", "7600"]\n'
    (tmp_path / "turns.toml").write_text(goal + turns)
    told = ("--book", "w.book", "--spool", "reel 12")
    plain, with_it = (json.loads(labkit("search", "cable.toml", *more, "--json").out) for more in ((), told))
    assert with_it["knowledge"]["bridge"]["used"]["of_spool"] == 3
    found = [each["solutions"] for each in (plain, with_it)]
    assert found[0] != found[1], "the shop's coils have their peak elsewhere"
    refused = labkit("search", "turns.toml", *told)
    assert refused.code == 2
    assert "changes the pickup itself (bridge.coil.main.turns)" in refused.err


def test_a_paper_that_cannot_be_made_is_refused_in_one_line(labkit, room):
    for asked, words in (
        (("card", "narrow"), "no design is called 'narrow'"),
        (("card", DESIGN, "--count", "50"), "1 to 24 coils"),
        (("batch", "batch 2"), "Did you mean 'batch 1'?"),
        (("coil", "0119"), "no coil has the serial number"),
        (("reels", "reel 13"), "Did you mean 'reel 12'?"),
    ):
        outcome = labkit("book", "paper", *asked)
        assert outcome.code == 2
        assert words in outcome.err
        assert len(outcome.err.strip().splitlines()) == 1


def test_a_meter_is_checked_and_a_spool_measured(labkit, room):
    shown = labkit("book", "check-meter", "bench", "--piece", "1 kΩ", "--known", "1 kΩ ± 0.01 %", "--shown", "1.002k")
    assert shown.out == "meter bench: 1 check in the book; it shows +0.20 % too much\n"
    ten = ("book", "spool", "reel 12", "--ten-metres", "54.4 Ω", "--meter", "bench")
    assert "need the temperature" in labkit(*ten).err
    assert (
        labkit(*ten, "--temperature", "21 °C").out
        == "spool reel 12: is in the book just so, with ten metres on the ohmmeter\n"
    )
    assert labkit("book", "spool", "reel 12", "--emptied", "2026-04-01").out == "spool reel 12: changed\n"


def test_a_book_is_copied_written_out_read_in_and_checked(labkit, room):
    assert labkit("book", "copy-to", "c.book").code == 0
    assert labkit("book", "write-out", "text").code == 0
    assert labkit("book", "new", "again.book").code == 0
    assert "entered, 0 known already" in labkit("book", "read-in", "text", "--book", "again.book").out
    for copy in ("c.book", "again.book"):
        assert labkit("book", "find", "--csv", "--book", copy).out == labkit("book", "find", "--csv").out
    assert labkit("book", "check").out == "w.book: sound\n"
    assert labkit("book", "write-out", "bare", "--without-names").code == 0
    assert ",M," not in (room / "bare" / "coils.csv").read_text()


REFUSED = (
    (("find", "--book", "lost.book"), "no such workshop book"),
    (("find", "--book", "b.csv"), "cannot be opened as a workshop book"),
    (("new", "w.book"), "is there already"),
    (("spool", "reel 13"), "say its wire"),
    (("spool", "reel 13", "--wire", "AWG 42 singel build"), "Did you mean 'AWG 42 single build'"),
    (("spool", "reel 12", "--opened", "2026-13-01"), "must be a day"),
    (("magnets", "lot 4"), "say its grade"),
    (("meter", "x", "--kind", "ohm"), "one of ohms, lcr"),
    (("check-meter", "bench", "--piece", "x", "--shown", "1k"), "what the piece is"),
    (("check-meter", "bensh", "--piece", "x", "--shown", "1k", "--known", "1k"), "Did you mean 'bench'"),
    (("batch", "b.csv", "--design", "narrow single"), "Did you mean"),
    (("batch", "b.csv", "--design", DESIGN, "--spool", "reel 21"), "Did you mean 'reel 12'"),
    (("batch", "b.csv", "--design", DESIGN, "--coil", "screw"), "has no coil 'screw'"),
    (("batch", "b.csv", "--design", DESIGN, "--temperature", "72 °C"), "−10 to 60 °C"),
    (("batch", "b.csv", "--design", DESIGN, "--wound", "May"), "must be a day"),
    (("batch", "no.csv", "--design", DESIGN), "no such file"),
    (("coil", "0199"), "Known: 0114, 0115, 0116"),
    (("cross-out", "0114"), "say why"),
    (("cross-out", "0114", "--reading", "omhs", "--why", "x"), "Did you mean 'ohms'"),
    (("mark", "0114"), "--state"),
    (("mark", "0114", "--state", "fine"), "one of good, suspect or scrapped"),
    (("chart", DESIGN, "--quantity", "farads"), "ask for another quantity"),
    (("pairs", "reel 12", "--with", "reel 12"), "two good coils"),
    (("sets", "0114"), "at least two"),
    (("copy-to", "b.csv"), "exists already"),
    (("read-in", "nowhere"), "no such file"),
    (("stock", "--output", "w.book", "--force"), "reads that file"),
)


def test_what_cannot_be_meant_is_refused_in_one_line_and_the_book_stays(labkit, room):
    before = labkit("book", "find", "--csv").out
    for arguments, message in REFUSED:
        outcome = labkit("book", *arguments)
        assert outcome.code == 2, arguments
        assert message in outcome.err, (arguments, outcome.err)
        assert outcome.err.count("\n") == 1, arguments
        assert labkit("book", "find", "--csv").out == before, arguments


def test_without_a_book_it_is_asked_for(labkit, monkeypatch):
    monkeypatch.delenv("LABKIT_BOOK", raising=False)
    assert "--book FILE, or in the variable LABKIT_BOOK" in labkit("book", "find").err
