"""What a curve says, in bench words: key numbers, what changed, the nearest note.

Nothing here claims that a difference can be heard; that is what the blind test is for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from labkit.core.errors import InputError, join_words
from labkit.core.grid import REFERENCE_HZ
from labkit.core.response import SILENT_DB, Response
from labkit.core.sourced import Interval

if TYPE_CHECKING:
    from labkit.pickup.predict.propagation import Prediction
    from labkit.sound.render.string_drive import LevelChange


ZERO = "Level at the input in decibels. Zero is the voltage that the strings induce in a pickup."
"""Caption of every curve of a rig: what zero means."""

CONCERT_PITCH_HZ = 440.0
"""A4, ISO 16."""

_NOTE_NAMES = ("C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyNumber:
    """One number a person reads off a curve.

    Attributes
    ----------
    label : str
        What it is, in bench words: ``Peak at``.
    value : str
        With its unit: ``4.1 kHz``.
    detail : str
        What it means, or how it compares.
    """

    label: str
    value: str
    detail: str = ""

    @property
    def sentence(self) -> str:
        """The number as running text."""
        return f"{self.label} {self.value}" + (f", {self.detail}" if self.detail else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """The numbers behind the words, taken once from a response.

    Attributes
    ----------
    peak_hz, height_db, minus_3db_hz : float or None
        None where the curve has no such point.
    bass_db : float
        Gain at 100 Hz, dB.
    is_silent : bool
        True where practically nothing arrives at any frequency.
    """

    peak_hz: float | None
    height_db: float | None
    minus_3db_hz: float | None
    bass_db: float
    is_silent: bool = False


def read_response(response: Response) -> Reading:
    """Return the numbers that the words are made of."""
    peak = response.peak
    return Reading(
        peak_hz=peak.frequency_hz if peak else None,
        height_db=peak.height_db if peak else None,
        minus_3db_hz=response.minus_3db_hz,
        bass_db=response.gain_db_at(REFERENCE_HZ),
        is_silent=response.is_silent,
    )


def frequency_in_words(frequency_hz: float) -> str:
    """Write a frequency as it is said at the bench.

    >>> frequency_in_words(4123.0), frequency_in_words(846.0), frequency_in_words(82.4), frequency_in_words(12_400.0)
    ('4.1 kHz', '850 Hz', '82 Hz', '12.4 kHz')
    """
    if frequency_hz >= 999.5:
        return f"{frequency_hz / 1000:.1f} kHz"
    if frequency_hz >= 99.5:
        return f"{round(frequency_hz / 10) * 10:d} Hz"
    return f"{frequency_hz:.0f} Hz"


def level_in_words(level_db: float) -> str:
    """Write a level with a true minus sign; what is too low to be anything is "silent".

    >>> level_in_words(-3.04), level_in_words(0.94), level_in_words(-0.01), level_in_words(-288.0)
    ('−3.0 dB', '0.9 dB', '0.0 dB', 'silent')
    """
    if level_db < SILENT_DB:
        return "silent"
    text = f"{abs(level_db):.1f}"
    return f"{'−' if level_db < 0 and float(text) else ''}{text} dB"


def nearest_note(frequency_hz: float) -> str:
    """Return the nearest note of equal temperament at A4 = 440 Hz (ISO 16).

    >>> nearest_note(82.4), nearest_note(4186.0)
    ('E2', 'C8')
    """
    if not (math.isfinite(frequency_hz) and frequency_hz > 0):
        raise InputError(f"a note needs a frequency above 0 Hz; got {frequency_hz}")
    number = round(69 + 12 * math.log2(frequency_hz / CONCERT_PITCH_HZ))
    return f"{_NOTE_NAMES[number % 12]}{number // 12 - 1}"


def note_frequency(number: int) -> float:
    """Return the frequency of a note by its number (69 is A4), Hz.

    >>> round(note_frequency(40), 1)
    82.4
    """
    return CONCERT_PITCH_HZ * 2 ** ((number - 69) / 12)


def height_in_words(height_db: float) -> str:
    """Name the height of a peak above the bass; bands are common practice, no source.

    >>> height_in_words(0.9), height_in_words(6.0)
    ('a gentle bump', 'a strong peak')
    """
    bands = ((0.5, "nearly flat"), (2.0, "a gentle bump"), (5.0, "a clear peak"), (9.0, "a strong peak"))
    return next((words for limit, words in bands if height_db < limit), "a sharp peak")


def side_in_words(level: Interval | Prediction, more: str, less: str) -> str:
    """Return the word for the side a difference in dB lies on; empty where its interval holds zero.

    >>> side_in_words(Interval(value=-1.0, low=-2.0, high=-0.2), "louder", "softer")
    'softer'
    >>> side_in_words(Interval(value=0.5, low=-0.8, high=1.6), "louder", "softer")
    ''
    """
    if level.low <= 0 <= level.high or abs(level.value) < 0.05:
        return ""
    return more if level.value > 0 else less


def louder_in_words(level: Interval, *, bounded: bool = True) -> str:
    """Write a level difference as it is said, with its 95 % bounds where there is a doubt.

    Which is louder is not claimed where both are possible.

    >>> louder_in_words(Interval(value=-3.03, low=-4.53, high=-1.03))
    '3.0 dB softer (95 of 100 between −4.5 and −1.0 dB)'
    >>> louder_in_words(Interval(value=-1.03, low=-2.53, high=0.47))
    'as loud (best guess −1.0 dB, 95 of 100 between −2.5 and +0.5 dB)'
    >>> louder_in_words(Interval(value=6.02, low=6.02, high=6.02)), louder_in_words(Interval(value=0, low=0, high=0))
    ('6.0 dB louder', 'as loud')
    """
    size = f"{abs(level.value):.1f}"
    side = side_in_words(level, "louder", "softer")
    words = f"{size} dB {side}" if side else "as loud"
    if not bounded or level.high - level.low < 0.1:
        return words
    low, value, high = (
        f"{'+' if number > 0.05 else ''}{level_in_words(number)}" for number in (level.low, level.value, level.high)
    )
    guess = "" if side or size == "0.0" else f"best guess {value}, "
    return f"{words} ({guess}95 of 100 between {low.removesuffix(' dB')} and {high})"


def output_number(outputs: Mapping[str, Prediction | None]) -> KeyNumber:
    """Return how loud the pickups of a rig are over the reference coil, by slot.

    >>> from labkit.pickup.predict.propagation import Prediction
    >>> output_number({"bridge": Prediction(value=-6.0, low=-7.5, high=-4.5)}).sentence
    'Output −6.0 dB, ± 1.5 dB over the reference coil'
    >>> output_number({"bridge": None}).sentence
    'Output not known, so levels are at equal EMF'
    """
    words = ["not known" if found is None else output_in_words(found.value) for found in outputs.values()]
    slots = join_words([slot.replace("_", " ") for slot in outputs])
    detail = "over the reference coil"
    if None in outputs.values():
        detail = "so levels are at equal EMF" if len(words) == 1 else f"{slots}, at equal EMF where not known"
    elif len(words) > 1:
        detail = f"{slots}, over the reference coil"
    else:
        only = next(found for found in outputs.values() if found is not None)
        detail = f"{_doubt(only)} {detail}".strip()
    return KeyNumber(label="Output", value=words[0] if len(set(words)) == 1 else ", ".join(words), detail=detail)


def output_in_words(output_db: float) -> str:
    """Write an output over the reference coil; uncharged magnets give none.

    >>> output_in_words(-6.02), output_in_words(-300.0)
    ('−6.0 dB', 'silent')
    """
    return "silent" if output_db < SILENT_DB else level_in_words(output_db)


def level_number(change: LevelChange, name: str) -> KeyNumber:
    """Return how loud a rig is against another, as a key number.

    Parameters
    ----------
    change : LevelChange
        From the other to the present rig.
    name : str
        What sets the other apart.
    """
    level = change.level_db
    if change.is_silent:
        return KeyNumber(label="Level", value="not comparable", detail=f"nothing is heard here or with {name}")
    words = louder_in_words(level.interval, bounded=False)
    is_guess = words == "as loud" and abs(level.value) >= 0.05
    guess = f"best guess {'+' if level.value > 0 else ''}{level_in_words(level.value)}" if is_guess else ""
    parts = [f"{'as' if words == 'as loud' else 'than'} with {name}", guess, _doubt(level)]
    parts.append("at equal EMF" if change.words else "")
    return KeyNumber(label="Level", value=words, detail=", ".join(part for part in parts if part))


def _doubt(level: Prediction) -> str:
    """Half the width of an interval; both sides where it is lopsided."""
    half, up, down = (level.high - level.low) / 2, level.high - level.value, level.value - level.low
    if half < 0.05:
        return ""
    return f"± {half:.1f} dB" if abs(up - down) < 0.3 * half else f"+{up:.1f} −{down:.1f} dB"


def key_numbers(now: Reading, *, pinned: Reading | None = None, pinned_name: str = "B") -> tuple[KeyNumber, ...]:
    """Return the three key numbers of a curve, each compared with a kept one where there is one.

    Parameters
    ----------
    now : Reading
        The present curve.
    pinned : Reading, optional
        What to compare with.
    pinned_name : str
        What sets that one apart: ``cable 3 m``.
    """
    if now.is_silent:
        nothing = "nothing reaches the input"
        return (
            KeyNumber(label="Peak at", value="silent", detail=nothing),
            KeyNumber(label="Peak over the bass", value="silent", detail=nothing),
            KeyNumber(label="−3 dB point", value="silent", detail=nothing),
        )
    if pinned is not None and pinned.is_silent:
        pinned = None
    return (
        _peak_place(now, pinned, pinned_name),
        _peak_height(now, pinned, pinned_name),
        _minus_3db(now, pinned, pinned_name),
    )


def sentence(numbers: tuple[KeyNumber, ...]) -> str:
    """Return key numbers as one sentence, for text alternatives and the live region."""
    return "; ".join(number.sentence for number in numbers) + "."


def _peak_place(now: Reading, pinned: Reading | None, name: str) -> KeyNumber:
    if now.peak_hz is None:
        detail = "the treble only falls" if now.minus_3db_hz else "the curve has no hump"
        if pinned is not None and pinned.peak_hz is not None:
            detail = f"{frequency_in_words(pinned.peak_hz)} with {name}"
        return KeyNumber(label="Peak at", value="no peak", detail=detail)
    detail = f"near the note {nearest_note(now.peak_hz)}"
    if pinned is not None:
        if pinned.peak_hz is None:
            detail = f"no peak with {name}"
        else:
            detail = _frequency_change(now.peak_hz, pinned.peak_hz, name)
    return KeyNumber(label="Peak at", value=frequency_in_words(now.peak_hz), detail=detail)


def _peak_height(now: Reading, pinned: Reading | None, name: str) -> KeyNumber:
    if now.height_db is None:
        return KeyNumber(label="Peak over the bass", value="none", detail="no point lies above the bass")
    detail = height_in_words(now.height_db)
    if pinned is not None and pinned.height_db is not None:
        change = now.height_db - pinned.height_db
        detail = (
            f"as high as with {name}"
            if abs(change) < 0.05
            else f"{abs(change):.1f} dB {'higher' if change > 0 else 'lower'} than with {name}"
        )
    return KeyNumber(label="Peak over the bass", value=level_in_words(now.height_db), detail=detail)


def _minus_3db(now: Reading, pinned: Reading | None, name: str) -> KeyNumber:
    if now.minus_3db_hz is None:
        return KeyNumber(label="−3 dB point", value="above 20 kHz", detail="never 3 dB under the bass")
    detail = "3 dB under the bass"
    if pinned is not None and pinned.minus_3db_hz is not None:
        detail = _frequency_change(now.minus_3db_hz, pinned.minus_3db_hz, name)
    return KeyNumber(label="−3 dB point", value=frequency_in_words(now.minus_3db_hz), detail=detail)


def _frequency_change(now_hz: float, pinned_hz: float, name: str) -> str:
    change = now_hz - pinned_hz
    if abs(change) < 5:
        return f"as with {name}"
    amount = f"{abs(change):.0f} Hz" if abs(change) < 99.5 else frequency_in_words(abs(change))
    return f"{amount} {'higher' if change > 0 else 'lower'} than with {name}"
