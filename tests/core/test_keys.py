"""Keys declared on fields: read, written, varied, and what stands in their way."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from labkit.core.errors import InputError
from labkit.core.keys import (
    custom,
    declared_keys,
    flag,
    inline,
    listed,
    number,
    numbers,
    quantity,
    read_keys,
    text,
    with_numbers,
    written_keys,
)
from labkit.core.sheet import Table
from labkit.core.units import UsualRange


@dataclass(frozen=True, kw_only=True)
class Section:
    share: float = number(low=0.0, high=1.0, meaning="share")
    corner_hz: float = quantity("Hz", name="corner", meaning="corner")


@dataclass(frozen=True, kw_only=True)
class Box:
    gain_db: float = quantity("dB", name="gain", default=0.0, meaning="gain")


@dataclass(frozen=True, kw_only=True)
class Thing:
    value: float = quantity("Ω", usual=UsualRange(low=1e3, high=1e6), low=1.0, meaning="resistance")
    leak: float | None = quantity("Ω", default=None, meaning="leak")
    style: str = text(options=("lever", "toggle"), default="lever", meaning="style")
    tolerance: float = quantity("1", default=0.2, is_varied=False, meaning="tolerance")
    box: Box = inline(Box)
    sections: tuple[Section, ...] = listed(Section, name="section")


GIVEN = {
    "value": "470 kΩ",
    "style": "toggle",
    "tolerance": "10 %",
    "gain": "6.0 dB",
    "section": [{"share": 0.25, "corner": "4 kHz"}, {"share": 0.5, "corner": "9 kHz"}],
}
THING = Thing(
    value=470e3,
    style="toggle",
    tolerance=0.1,
    box=Box(gain_db=6.0),
    sections=(Section(share=0.25, corner_hz=4e3), Section(share=0.5, corner_hz=9e3)),
)


def read(data, base=None):
    return Thing(**read_keys(Thing, Table(data, "a sheet"), base=base))


def test_a_table_is_read_and_written_by_the_same_declarations():
    assert read(GIVEN) == THING
    assert read(written_keys(THING)) == THING
    assert "leak" not in written_keys(THING)


def test_what_a_table_leaves_out_stays_as_it_is_in_the_base():
    assert read({}, base=THING) == THING
    assert read({"gain": "3 dB"}, base=THING).box == Box(gain_db=3.0)


def test_absent_keys_take_their_default_and_required_ones_are_asked_for():
    assert read({"value": "5 kΩ"}) == Thing(value=5e3, box=Box())
    with pytest.raises(InputError, match=r"a sheet: value: is missing"):
        read({})


def test_numbers_carry_their_key_and_leave_out_what_no_study_varies():
    found = {name: (value, key.unit) for name, value, key in numbers(THING)}
    assert found == {
        "value": (470e3, "Ω"),
        "gain": (6.0, "dB"),
        "section1.share": (0.25, ""),
        "section1.corner": (4e3, "Hz"),
        "section2.share": (0.5, ""),
        "section2.corner": (9e3, "Hz"),
    }


def test_numbers_are_changed_without_a_text_in_between():
    value = 0.1 + 0.2  # a number whose text is long
    changed = with_numbers(THING, {"value": 1e9, "gain": value, "section2.corner": 1e4})
    assert (changed.value, changed.box.gain_db, changed.sections[1].corner_hz) == (1e9, value, 1e4)
    assert changed.sections[0] is not None
    assert changed.sections[0] == THING.sections[0]


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ({"value": 0.5}, r"value: must be at least 1 Ω; got 0.5 Ω"),
        ({"section1.share": 2.0}, r"share: must be at least 0 and at most 1; got 2"),
        ({"value": float("nan")}, r"got nan"),
        ({"vallue": 5.0}, r"no number 'vallue' to change.*value"),
        ({"tolerance": 0.1}, r"no number 'tolerance'"),
        ({"section3.share": 0.1}, r"no number 'section3.share'"),
    ],
)
def test_a_number_outside_its_limits_or_unknown_is_refused(values, sentence):
    with pytest.raises(InputError, match=sentence):
        with_numbers(THING, values)


def test_declarations_are_there_to_be_asked():
    assert [key.name for key in declared_keys(Thing)] == ["value", "leak", "style", "tolerance", "gain"]
    assert all(key.meaning for key in declared_keys(Thing))


@dataclass(frozen=True, kw_only=True)
class Row:
    count: int = number(is_whole=True, high=100, meaning="count")
    is_wound: bool | None = flag(default=None, meaning="wound")
    wire: str = custom(take=lambda table, key: table.table(key).text("name"), default="none", meaning="wire")


def test_whole_numbers_flags_and_tables_of_their_own_are_read():
    assert Row(**read_keys(Row, Table({"count": 6}, "a sheet"))) == Row(count=6, is_wound=None, wire="none")
    given = {"count": 6.0, "is_wound": True, "wire": {"name": "thin"}}
    found = read_keys(Row, Table(given, "a sheet"))
    assert found == {"count": 6, "is_wound": True, "wire": "thin"}
    assert isinstance(found["count"], int)


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"count": 2.5}, "a sheet: count: must be a whole number"),
        ({"is_wound": "yes"}, "a sheet: is_wound: must be true or false"),
        ({"wire": "thin"}, "a sheet: wire: must be a table of its own"),
        ({"wire": {}}, "a sheet: wire.name: is missing"),
    ],
)
def test_other_kinds_of_keys_are_refused_in_their_place(changed, sentence):
    with pytest.raises(InputError, match=sentence):
        read_keys(Row, Table({"count": 6} | changed, "a sheet"))
