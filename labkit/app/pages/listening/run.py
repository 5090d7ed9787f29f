"""One listening test from practice to result, without widgets.

The plan stays in this process until every trial is answered (or the listener ends the test). What a browser gets of
a trial is three WAV files of one length, one format and one loudness, each with its own dither, and the fingerprint
of the sealed plan.
"""

from __future__ import annotations

import csv
import io
import json
import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, cast

import numpy as np

from labkit import __version__
from labkit.app.kit.sound import compared_in_words
from labkit.app.pages.listening.seal import TEST_NUMBER, Seal
from labkit.core.errors import InputError
from labkit.rig.outputs import counted_outputs
from labkit.rig.rig import Rig
from labkit.rig.sheet import rig_data
from labkit.sound.blind.abx import CHOICES, MOST_TRIALS, Choice, Trial, plan_trials
from labkit.sound.blind.test import ROLES, BlindTest
from labkit.sound.loudness import match_loudness
from labkit.sound.render.rendering import Renderer
from labkit.sound.render.rig_sound import coil_transfers, takes_for_both
from labkit.sound.render.string_drive import level_change
from labkit.sound.take.sheet import load_take, take_data

RATE = 48_000
RECORD_KIND = "labkit listening test"
RECORD_FORMAT = 1
LONGEST_RECORD = 65_536
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")
_LETTERS: dict[str, Choice] = {"a": "a", "b": "b", "?": "cannot tell"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sounds:
    """A take through two rigs at one loudness.

    Attributes
    ----------
    pair : (ndarray, ndarray), shape (frames,)
    difference_db : float
        How much louder the second was before matching, LU.
    said : str
        The same in words, with its bounds and how outputs were counted; the rigs are B and A.
    details : dict
        Everything needed to make them again, as JSON values.
    """

    pair: tuple[np.ndarray, np.ndarray]
    difference_db: float
    said: str
    details: dict[str, Any]


def make_sounds(first: Rig, second: Rig, take: str) -> Sounds:
    """Return a take through two rigs at one loudness.

    Raises
    ------
    InputError
        If one of them is silent, or both make the very same sound.
    """
    notes = load_take(take)
    takes = takes_for_both(first, second, notes, rate=RATE)
    heard = {}
    counted = counted_outputs(first, second)
    names = ("the first rig", "the second rig")
    for name, rig, played, levels in zip(names, (first, second), takes, counted.levels_db):
        heard[name] = Renderer(played).render(coil_transfers(rig, played.coils, levels_db=levels))
    try:
        matched = match_loudness(heard, RATE)
    except InputError as error:
        if "silent" in str(error):
            which = "first" if "first" in str(error) else "second"
            raise InputError(f"Nothing of the {which} rig reaches the input: turn its volume up.") from None
        raise
    pair = (matched.samples["the first rig"], matched.samples["the second rig"])
    if np.array_equal(pair[0], pair[1]):
        raise InputError("Both rigs make the very same sound with this setting; there is nothing to tell apart.")
    difference_db = matched.difference_db("the second rig", "the first rig")
    change = level_change(first, second, outputs=counted, measured_db=difference_db)
    return Sounds(
        pair=pair,
        difference_db=difference_db,
        said=compared_in_words(change, "B", "A"),
        details={
            "labkit": __version__,
            "sheets": [rig_data(first), rig_data(second)],
            "take": take_data(notes),
            "rate_hz": RATE,
            "loudness_lufs": matched.target_lufs,
            "gain_db": [matched.gain_db["the first rig"], matched.gain_db["the second rig"]],
            "difference_db": difference_db,
            "difference_interval_db": change.level_db.as_dict(),
            "level_basis": change.words or None,
        },
    )


def now_text() -> str:
    """The present time, UTC, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class ListeningRun:
    """A test under way.

    Parameters
    ----------
    number : str
        From `listening_test_seal.new_number`, or from a kept record.
    names : (str, str)
        What the two rigs are called.
    sounds : Sounds
    trials : int
    query : str
        Address that makes the same comparison.
    seal : Seal
    clock : callable
        Time of an answer as text; given by tests.
    """

    def __init__(
        self,
        number: str,
        *,
        names: tuple[str, str],
        sounds: Sounds,
        trials: int,
        query: str,
        seal: Seal,
        clock: Callable[[], str] = now_text,
    ) -> None:
        self.number = number
        self.names = names
        self.query = query
        self.difference_db, self.said = sounds.difference_db, sounds.said
        self.answers: list[tuple[Choice, str]] = []
        self.is_opened = False
        self._sounds = sounds
        self._seal = seal
        self._clock = clock
        seed = seal.seed(number)
        self._test = BlindTest(
            rigs=names,
            trials=plan_trials(trials, seed),
            nonce=seal.nonce(number),
            seed=seed,
            details=sounds.details,
        )
        self._coin = 0
        self._practice = self._new_practice()
        self.practised = 0

    @property
    def trials(self) -> int:
        """Trials planned."""
        return len(self._test.trials)

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the sealed plan."""
        return self._test.fingerprint

    @property
    def present(self) -> int:
        """Number of the trial to answer, from 1; one more than the trials when all are answered."""
        return len(self.answers) + 1

    @property
    def is_answered(self) -> bool:
        """True when every trial has its answer."""
        return len(self.answers) == self.trials

    def trial_sounds(self) -> tuple[bytes, bytes, bytes]:
        """A, B and X of the present trial, WAV."""
        return self._files(self._test, self.present)

    def practice_sounds(self) -> tuple[bytes, bytes, bytes]:
        """First rig, second rig and a hidden one of the two, WAV."""
        return self._files(self._practice, 1)

    def try_one(self, choice: str) -> str:
        """Answer a practice trial: says at once whether it was right, counts for nothing, and hides another one."""
        wanted = _choice(choice)
        trial = self._practice.trials[0]
        was = f"It was {self.names[trial.x]}."
        verdict = "Not told." if wanted == "cannot tell" else "Right." if wanted == trial.right else "Not this time."
        self.practised += 1
        self._practice = self._new_practice()
        return f"{verdict} {was}"

    def answer(self, choice: str, *, trial: int | None = None) -> None:
        """Answer the present trial.

        Parameters
        ----------
        choice : str
            "a", "b" or "cannot tell".
        trial : int, optional
            The trial that the listener means; an answer to another than the present one is dropped.
        """
        wanted = _choice(choice)
        if self.is_opened:
            raise InputError("The result of this test is open, so no answer can be added; make a new test.")
        if self.is_answered or (trial is not None and trial != self.present):
            return
        self.answers.append((wanted, self._clock()))

    def take_back(self) -> None:
        """Take the last answer back, which nothing has revealed so far."""
        if self.is_opened:
            raise InputError("The result of this test is open, so no answer can be changed; make a new test.")
        if self.answers:
            self.answers.pop()

    def open_result(self) -> dict[str, Any]:
        """Open the seal: the whole outcome as JSON values. From now on the answers stand.

        Raises
        ------
        InputError
            If nothing was answered yet.
        """
        if not self.answers:
            raise InputError("No trial has been answered yet.")
        self.is_opened = True
        self._seal.note_opened(self.number, self._answer_text)
        found = self._test.result(dict(enumerate((choice for choice, _ in self.answers), start=1)))
        return {
            **found,
            "test": self.number,
            "answered_at": [at for _, at in self.answers],
            "practice_trials": self.practised,
        }

    def record(self) -> str:
        """What a browser or a file keeps, so that the test can go on another day; says nothing about the plan."""
        letters = {choice: letter for letter, choice in _LETTERS.items()}
        data = {
            "kind": RECORD_KIND,
            "format": RECORD_FORMAT,
            "test": self.number,
            "comparison": self.query,
            "rigs": list(self.names),
            "trials": self.trials,
            "fingerprint": self.fingerprint,
            "practised": self.practised,
            "answers": [[letters[choice], at] for choice, at in self.answers],
            "opened": self.is_opened,
        }
        return json.dumps(data, ensure_ascii=False)

    @property
    def _answer_text(self) -> str:
        return answer_text(self.answers)

    def _new_practice(self) -> BlindTest:
        self._coin = secrets.randbelow(2)
        return BlindTest(
            rigs=self.names,
            trials=(Trial(a=0, x=self._coin),),
            nonce=secrets.token_hex(16),
            seed=secrets.randbits(63),
        )

    def _files(self, test: BlindTest, number: int) -> tuple[bytes, bytes, bytes]:
        a, b, x = (test.sound(number, role, self._sounds.pair, RATE) for role in ROLES)
        return a, b, x


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A kept test, as read from outside: every field checked, nothing trusted."""

    number: str
    query: str
    rigs: tuple[str, str]
    trials: int
    fingerprint: str
    practised: int
    answers: tuple[tuple[Choice, str], ...]
    is_opened: bool


def read_record(text: str) -> Record:
    """Return a kept test.

    Raises
    ------
    InputError
        If the text is none, with the reason.
    """
    if len(text) > LONGEST_RECORD:
        raise InputError(f"a kept listening test is shorter than {LONGEST_RECORD // 1024} KiB; this is something else")
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        raise InputError("this is no kept listening test: it cannot be read as JSON") from None
    if not isinstance(data, dict) or data.get("kind") != RECORD_KIND:
        raise InputError("this is no kept listening test of the lab")
    if data.get("format") != RECORD_FORMAT:
        raise InputError(f"the kept test has format {str(data.get('format'))[:12]}; this version reads {RECORD_FORMAT}")
    number, query, fingerprint = data.get("test"), data.get("comparison"), data.get("fingerprint")
    trials: Any = data.get("trials")
    practised: Any = data.get("practised", 0)
    answers: Any = data.get("answers")
    rigs: Any = data.get("rigs")
    good = (
        isinstance(number, str)
        and TEST_NUMBER.fullmatch(number)
        and isinstance(query, str)
        and isinstance(fingerprint, str)
        and re.fullmatch(r"[0-9a-f]{64}", fingerprint)
        and type(trials) is int
        and 1 <= trials <= MOST_TRIALS
        and type(practised) is int
        and 0 <= practised < 100_000
        and isinstance(rigs, list)
        and len(rigs) == 2
        and all(isinstance(name, str) and len(name) < 400 for name in rigs)
        and isinstance(answers, list)
        and len(answers) <= trials
        and all(map(_is_answer, answers))
    )
    if not good:
        raise InputError("the kept listening test is damaged; begin a new one")
    return Record(
        number=cast(str, number),
        query=cast(str, query),
        rigs=(rigs[0], rigs[1]),
        trials=trials,
        fingerprint=cast(str, fingerprint),
        practised=practised,
        answers=tuple((_LETTERS[letter], at) for letter, at in answers),
        is_opened=data.get("opened") is True,
    )


def take_up(run: ListeningRun, record: Record, seal: Seal) -> None:
    """Put the answers of a kept test into the run that was made for it anew.

    Raises
    ------
    InputError
        If sheets, version or machine are no longer those the test was sealed with, or it was opened already.
    """
    if run.fingerprint != record.fingerprint:
        raise InputError(
            "the kept test cannot go on: it was sealed on another machine, or the rigs, the take or labkit itself have "
            "changed since; begin a new one"
        )
    if not seal.may_go_on(record.number, answer_text(record.answers)):
        raise InputError("the result of this test was opened already, so it cannot be answered again; begin a new one")
    run.answers = list(record.answers)
    run.practised = record.practised


def answer_text(answers: list[tuple[Choice, str]] | tuple[tuple[Choice, str], ...]) -> str:
    """The answers as one text, for the note of an opened test."""
    return ",".join(choice for choice, _ in answers)


def result_file(result: dict[str, Any]) -> bytes:
    """The whole outcome, JSON."""
    return (json.dumps(result, indent=2, ensure_ascii=False) + "\n").encode()


def trials_table(result: dict[str, Any]) -> bytes:
    """Every trial as a row, CSV."""
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(["trial", "a", "b", "x", "right_answer", "answer", "answered_at_utc"])
    for trial, at in zip(result["trials"], [*result["answered_at"], *[""] * len(result["trials"])]):
        row = [trial["trial"], trial["a"], trial["b"], trial["x"], trial["right_answer"], trial["answer"] or "", at]
        # a spreadsheet must not take a rig's name for a formula
        rows.writerow([f"'{cell}" if isinstance(cell, str) and cell[:1] in "=+-@" else cell for cell in row])
    return out.getvalue().encode()


def _choice(text: str) -> Choice:
    if text not in CHOICES:
        raise InputError(f"an answer is a, b or 'cannot tell'; got '{text[:20]}'")
    return text


def _is_answer(entry: object) -> bool:
    return (
        isinstance(entry, list)
        and len(entry) == 2
        and entry[0] in tuple(_LETTERS)
        and isinstance(entry[1], str)
        and bool(_TIME.fullmatch(entry[1]))
    )
