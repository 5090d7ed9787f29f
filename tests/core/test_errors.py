"""What every refusal promises: one line that shows, whatever it repeats of a stranger's file."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.core.errors import CircuitError, InputError, LabkitError, PluginError, QuantityError


@pytest.mark.parametrize("error", [LabkitError, InputError, QuantityError, CircuitError, PluginError])
@given(text=st.text(max_size=40))
def test_a_message_is_one_line_without_control_characters(error: type[LabkitError], text: str) -> None:
    told = str(error(f"no part is named '{text}'"))
    assert len(told.splitlines()) == 1
    assert not any(letter < " " or "\x7f" <= letter < "\xa0" or letter in "\u202e\u2066" for letter in told)


def test_a_message_cannot_steer_a_terminal() -> None:
    # ECMA-48: ESC [ 2 J clears the screen, ESC ] 0 sets the window's title
    assert str(InputError("no part '\x1b[2J\x1b]0;owned\x07'")) == r"no part '\x1b[2J\x1b]0;owned\x07'"


def test_plain_words_units_and_quotes_stay_as_they_are() -> None:
    for text in ("R1 must be 4.7 kΩ … 500 µF, got ‘−3 °C’", "1\u00a0000 Ω", "名前"):
        assert str(InputError(text)) == text


def test_a_message_survives_the_way_between_processes() -> None:
    error = pickle.loads(pickle.dumps(InputError("a\nb")))
    assert type(error) is InputError
    assert str(error) == "a b"


def test_a_message_never_repeats_a_whole_file() -> None:
    told = str(InputError(f"x.toml: got '{'9' * 1_000_000}'; write a number"))
    assert len(told) <= 1200
    assert told.startswith("x.toml: got '999")
    assert told.endswith("999'; write a number")
