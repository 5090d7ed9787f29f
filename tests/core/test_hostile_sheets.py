"""Sheets that nobody would write: refused in time and in one sentence, whatever the parser itself would do."""

from __future__ import annotations

import time

import pytest

from labkit.catalogue import catalogue
from labkit.core.errors import SheetError
from labkit.core.files import LARGEST_TEXT
from labkit.core.sheet import Table, parse_sheet
from labkit.rig.sheet import read_rig

HEAD = 'sheet = "rig"\nformat = 1\n'
ROOM = LARGEST_TEXT - 1000

SLOWEST_S = 60.0
"""Processor time. The longest permitted sheet of plain keys takes a second or two; a quadratic parser minutes."""

HOSTILE = {
    "a number of many digits": "name = " + "9" * ROOM,
    "a number of 5000 digits": "name = " + "9" * 5000,
    "digits apart": "name = " + "9_" * 5000 + "9",
    "a hexadecimal number of many digits": "name = 0x" + "f" * 5000,
    "an exponent of many digits": "name = 1e" + "9" * 5000,
    "a deep list": "a = " + "[" * (ROOM // 2) + "]" * (ROOM // 2),
    "a deep table": "a = " + "{b=" * 5000 + "1" + "}" * 5000,
    "a deep key": "a" + ".a" * (ROOM // 2) + " = 1",
    "a deep key in quotes": '"a"' + '."a"' * (ROOM // 4) + " = 1",
    "a deep key inside a table": "a = {b" + " . b" * (ROOM // 4) + " = 1}",
    "a deep head": "[a" + ".a" * (ROOM // 2) + "]",
    "many keys": "\n".join(f"k{n} = 1" for n in range(60_000)),
    "many tables": "\n".join(f"[t{n}]" for n in range(80_000)),
    "a long key": "k" * ROOM + " = 1",
    "a long text": 'name = "' + "k" * ROOM,
    "blanks": " " * ROOM + "x",
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_sheet_is_refused_in_one_sentence_and_in_time(text: str) -> None:
    begun = time.process_time()
    with pytest.raises(SheetError) as refusal:
        read_rig(parse_sheet(HEAD + text, "hostile.toml"))
    assert time.process_time() - begun < SLOWEST_S
    assert str(refusal.value).startswith("hostile.toml: ")
    assert len(str(refusal.value)) < 1500


def test_a_format_of_many_digits_is_refused() -> None:
    with pytest.raises(SheetError, match="digits"):
        parse_sheet('sheet = "rig"\nformat = 0x' + "f" * 5000, "hostile.toml")


@pytest.mark.parametrize("digits", [310, 4000])
def test_a_whole_number_beyond_a_float_is_refused_by_its_key(digits: int) -> None:
    # not through TOML: a rig in an address is JSON, which has no such bound
    table = Table({"count": 10**digits}, "x")
    with pytest.raises(SheetError, match="x: count: must be a number"):
        table.number("count")


def test_what_the_catalogue_ships_is_far_from_every_bound() -> None:
    # the bounds on digits and dots look at the text: prose with dots and digits must pass
    assert not [problem for problem in catalogue().problems if "nested" in problem or "digits" in problem]
    parse_sheet(HEAD + 'note = "See 1.2.3. Then 4.5. ' + "It is so. " * 150 + '"', "prose.toml")
    parse_sheet(HEAD + 'note = "' + "a" * 5000 + '"', "letters.toml")


def test_a_dotted_key_of_a_person_is_read() -> None:
    assert parse_sheet(f"{HEAD}a.b.c.d = 1", "x.toml").table("a").table("b").table("c").number("d") == 1


def test_what_a_reader_does_to_a_sheet_does_not_reach_the_next_reader_of_the_same_text():
    text = HEAD + 'name = "one"\n[parts.volume]\nvalue = "500 kΩ"\nmarks = ["a", "b"]\n'
    first = parse_sheet(text, "first")
    first.data["name"] = "another"
    first.data["parts"]["volume"]["value"] = "1 MΩ"
    first.data["parts"]["volume"]["marks"].clear()
    second = parse_sheet(text, "second")
    assert second.data["name"] == "one"
    assert second.data["parts"]["volume"] == {"value": "500 kΩ", "marks": ["a", "b"]}
    assert second.where == "second"
