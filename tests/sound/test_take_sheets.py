"""Take sheets: every packaged take plays, round trips keep it, and bad sheets are refused in words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from labkit.catalogue import catalogue
from labkit.core.errors import InputError, SheetError
from labkit.core.sheet import Table, parse_sheet, sheet_text
from labkit.sound.loudness import integrated_loudness
from labkit.sound.take.sheet import DEFAULT_TAKE, load_take, read_take, take_data
from labkit.sound.take.take import CoilSpot, synthesise

TAKES = (
    "E chord",
    "arpeggio",
    "bass line",
    "low note",
    "muted strum",
    "open-string chord",
    "scale up the neck",
    "seven-string chord",
    "single notes",
)
SPOTS = {"bridge": CoilSpot(position=0.041)}


def test_packaged_takes_are_the_promised_performances() -> None:
    assert set(TAKES) <= set(catalogue().names("take"))
    assert DEFAULT_TAKE in TAKES


@pytest.mark.parametrize("name", TAKES)
def test_every_packaged_take_plays(name: str) -> None:
    performance = load_take(name)
    take = synthesise(performance, SPOTS, rate=16_000)
    assert take.duration_s == pytest.approx(performance.duration_s, abs=1e-4)
    assert integrated_loudness(take.emf[0], 16_000) > -50
    assert performance.summary


@pytest.mark.parametrize("name", TAKES)
def test_a_take_written_out_reads_back_to_the_same_sound(name: str) -> None:
    performance = load_take(name)
    text = sheet_text("take", take_data(performance))
    back = read_take(parse_sheet(text, "again.toml", kinds=["take"]))
    one, other = (synthesise(p, SPOTS, rate=8000).emf for p in (performance, back))
    # Quantities are written with up to 17 digits; the decay is recomputed from its two times.
    assert np.allclose(one, other, atol=1e-6 * np.max(np.abs(one)))


def test_a_muted_strum_dies_away_much_faster_than_an_open_one() -> None:
    def late_share(name: str) -> float:
        performance = load_take(name)
        sound = synthesise(performance, SPOTS, rate=16_000).emf[0]
        first = np.max(np.abs(sound[:2400]))
        return float(np.max(np.abs(sound[4000:4700])) / first)

    assert late_share("muted strum") < 0.1 * late_share("open-string chord")


def test_a_bass_sounds_lower_than_a_guitar() -> None:
    def lowest(name: str) -> float:
        performance = load_take(name)
        return min(performance.strings.frequency(p.string, p.fret) for p in performance.plucks)

    assert lowest("bass line") == pytest.approx(41.2, abs=0.05)  # E1
    assert lowest("seven-string chord") == pytest.approx(61.74, abs=0.05)  # B1


GOOD = """
sheet = "take"
format = 1
name = "x"
strings = "six strings 10-46"
duration = "1 s"
notes = [{ at = "0 s", string = 1 }]
"""


def read(text: str) -> object:
    return read_take(parse_sheet(text, "x.toml", kinds=["take"]))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            'strings = "six strings 10-46"',
            'strings = "six strings 10-4"',
            r"x\.toml: strings: .*Did you mean 'six strings 10-46'",
        ),
        ('duration = "1 s"', 'duration = "1 m"', r"duration: "),
        ('duration = "1 s"', 'duration = "3 min"', r"at most 60 s"),
        ("string = 1", "string = 7", r"notes\[1\]\.string: must be a whole number from 1 to 6"),
        ("string = 1", "string = 1, frett = 3", r"Did you mean 'fret'"),
        ("string = 1", "string = 1.5", "whole number"),
        ('at = "0 s"', 'at = "2 s"', "begins after the end"),
        ("notes = [{", "nots = [{", "notes"),
        ("string = 1 }]", 'string = 1 }]\n[decay]\nlow = "10 ms"\nat_3khz = "2 s"', "not longer"),
        ("string = 1 }]", 'string = 1 }]\n[pluck]\nposition = "2 V"', r"pluck\.position"),
        ("string = 1 }]", "string = 1 }]\nseed = -1", "seed"),
        ('strings = "six strings 10-46"', "", "strings: is missing"),
        ('"take"', '"rig"', "take sheet is due"),
    ],
)
def test_a_bad_take_sheet_is_refused_with_file_key_and_remedy(old: str, new: str, message: str) -> None:
    assert old in GOOD
    with pytest.raises(SheetError, match=message):
        read(GOOD.replace(old, new))


def test_own_strings_can_be_listed_in_the_sheet() -> None:
    own = GOOD.replace(
        'strings = "six strings 10-46"',
        'string = [{ note = "E2", diameter = "0.046 in", core = "0.0175 in", mass = "6.8 g/m" }, '
        '{ note = "70 Hz", diameter = "0.017 in" }]\nscale = "25 in"',
    )
    performance = read(own)
    assert performance.strings.scale == pytest.approx(0.635)
    assert performance.strings[2].open_hz == 70
    with pytest.raises(SheetError, match="needs its mass"):
        read(own.replace(', mass = "6.8 g/m"', ""))


def test_takes_load_by_path_and_unknown_names_give_the_nearest(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(GOOD)
    assert load_take(tmp_path / "mine.toml").name == "x"
    with pytest.raises(InputError, match="Did you mean 'arpeggio'"):
        load_take("arpegio")


def test_read_take_accepts_a_catalogue_item() -> None:
    item: Table = catalogue().item("take", "E chord").table()
    assert read_take(item).name == "E chord"
