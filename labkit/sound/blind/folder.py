"""A blind test as a folder: WAV files, an open note, a sealed key, and answers that can be given over several days."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from labkit.core.errors import InputError
from labkit.core.files import read_text, write_atomically
from labkit.core.wav import write_wav
from labkit.sound.blind.abx import CHOICES, RECOMMENDED_TRIALS, Choice, passing_count
from labkit.sound.blind.test import ROLES, BlindTest
from labkit.sound.files import Progress, no_progress, whole_folder
from labkit.sound.loudness import HEARING_CAUTION

NOTE, KEY, ANSWERS, RESULT, READ_ME = "test.json", "sealed-key.txt", "answers.json", "result.json", "read-me.txt"
_FORMAT = 1
_LARGEST = 1 << 22


def write_folder(
    folder: Path,
    test: BlindTest,
    sounds: tuple[np.ndarray, np.ndarray],
    rate: int,
    *,
    progress: Progress = no_progress,
) -> None:
    """Write a test to a new folder, whole or not at all.

    Parameters
    ----------
    folder : Path
        Must not exist.
    test : BlindTest
    sounds : (ndarray, ndarray), shape (frames,)
        At equal loudness.
    rate : int, Hz
    progress : callable
        May raise `Cancelled`.
    """
    count = len(test.trials)
    note = {
        "format": _FORMAT,
        "title": test.title,
        "rigs": list(test.rigs),
        "trials": count,
        "fingerprint": test.fingerprint,
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
    }
    with whole_folder(folder) as temporary:
        for index, sound in enumerate(sounds):
            write_wav(temporary / f"practice-{'first' if index == 0 else 'second'}.wav", sound, rate)
        for number in range(1, count + 1):
            for role in ROLES:
                data = test.sound(number, role, sounds, rate)
                (temporary / wav_name(number, role)).write_bytes(data)
            progress(number / count)
        (temporary / NOTE).write_text(json.dumps(note, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        (temporary / KEY).write_text(test.sealed(), encoding="utf-8")
        (temporary / READ_ME).write_text(_read_me(test), encoding="utf-8")
        now = time.time()
        for path in temporary.iterdir():
            os.utime(path, (now, now))


def wav_name(number: int, role: str) -> str:
    """File name of a role in a trial; says nothing about the rig behind it."""
    return f"trial-{number:02d}-{role}.wav"


class BlindFolder:
    """A test in a folder, between start and result.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    InputError
        If the folder holds no test, or one of another version.
    """

    def __init__(self, folder: Path) -> None:
        if not (folder / NOTE).is_file():
            raise InputError(f"{folder} holds no blind test ({NOTE} is missing); make one with 'labkit blind prepare'")
        self.folder = folder
        note = _read_json(folder / NOTE)
        try:
            if note["format"] != _FORMAT:
                raise InputError(f"{folder / NOTE}: format must be {_FORMAT}; got {note['format']!r}")
            self.trials = int(note["trials"])
            self.rigs = (str(note["rigs"][0]), str(note["rigs"][1]))
            self.fingerprint = str(note["fingerprint"])
        except (KeyError, TypeError, ValueError, IndexError) as problem:
            if isinstance(problem, InputError):
                raise
            raise InputError(f"{folder / NOTE} is damaged") from None

    @property
    def is_finished(self) -> bool:
        """Whether the result has been opened."""
        return (self.folder / RESULT).exists()

    def answers(self) -> dict[int, Choice]:
        """Answers given so far, by trial."""
        return {int(entry["trial"]): entry["answer"] for entry in self._entries()}

    def next_trial(self) -> int | None:
        """First trial without an answer; None when all are answered."""
        given = self.answers()
        return next((number for number in range(1, self.trials + 1) if number not in given), None)

    def answer(self, number: int, choice: Choice) -> None:
        """Record an answer; an earlier one to the same trial is replaced, which nothing has revealed so far.

        Raises
        ------
        InputError
            If the test is finished, or there is no such trial or choice.
        """
        if self.is_finished:
            raise InputError(f"the result of {self.folder} is already open, so no answer can be added; make a new test")
        if not 1 <= number <= self.trials:
            raise InputError(f"this test has trials 1 to {self.trials}; got {number}")
        if choice not in CHOICES:
            raise InputError(f"an answer must be a, b or 'cannot tell'; got {choice!r}")
        kept = [entry for entry in self._entries() if entry["trial"] != number]
        entry = {"trial": number, "answer": choice, "at": datetime.now(UTC).isoformat(timespec="seconds")}
        text = json.dumps({"format": _FORMAT, "answers": [*kept, entry]}, indent=2) + "\n"
        write_atomically(self.folder / ANSWERS, text, overwrite=True)

    def finish(self, *, early: bool = False) -> dict[str, Any]:
        """Open the key, count, write the result file and return it. Opening it again returns what was written.

        Raises
        ------
        InputError
            If trials are unanswered and ``early`` is false, or the key is damaged or was exchanged.
        """
        if self.is_finished:
            return _read_json(self.folder / RESULT)
        answers = self.answers()
        if not answers:
            raise InputError(f"no trial of {self.folder} has been answered yet")
        if len(answers) < self.trials and not early:
            raise InputError(
                f"{self.trials - len(answers)} of {self.trials} trials are unanswered (next: {self.next_trial()}); "
                "answer them ('cannot tell' is an answer), or end the test with --early"
            )
        test = BlindTest.unseal(read_text(self.folder / KEY, largest=_LARGEST), self.fingerprint)
        result = {"format": _FORMAT, **test.result(answers), "answers": self._entries()}
        write_atomically(self.folder / RESULT, json.dumps(result, indent=2, ensure_ascii=False) + "\n")
        return result

    def _entries(self) -> list[dict[str, Any]]:
        path = self.folder / ANSWERS
        if not path.exists():
            return []
        entries: Any = _read_json(path).get("answers")
        good = isinstance(entries, list) and all(
            isinstance(entry, dict) and isinstance(entry.get("trial"), int) and entry.get("answer") in CHOICES
            for entry in entries
        )
        if not good or any(not 1 <= entry["trial"] <= self.trials for entry in entries):
            raise InputError(f"{path} is damaged: it should hold a list of answers, each with its trial")
        return list(entries)


def _read_json(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(read_text(path, largest=_LARGEST))
    except ValueError as problem:
        if isinstance(problem, InputError):
            raise
        raise InputError(f"{path} is damaged: not readable as JSON") from None
    if not isinstance(data, Mapping):
        raise InputError(f"{path} is damaged: an object is due here")
    return dict(data)


def _read_me(test: BlindTest) -> str:
    count = len(test.trials)
    needed = passing_count(count)
    few = f"\nWith fewer than {RECOMMENDED_TRIALS} trials a true difference is easily missed.\n"
    line = (
        f"Somebody who only guesses gets {needed} or more of {count} right in at most 5 % of tests."
        if needed is not None
        else f"With {count} trials no score can pass the 5 % line."
    )
    return f"""Blind test: {test.title}

{HEARING_CAUTION}

Practise first: practice-first.wav is {test.rigs[0]}, practice-second.wav is {test.rigs[1]}.
All sounds are at equal loudness; the true difference in level was taken away.

In each of the {count} trials, listen to a, b and x as often as you like. One of a and b is the same rig as x.
Which rig is called a changes from trial to trial. Answer a, b, or 'cannot tell' (a full answer, not a failure):

    labkit blind answer FOLDER

You may stop and go on another day. When all trials are answered:

    labkit blind result FOLDER

{line} The fingerprint of the sealed key is
{test.fingerprint}
{few if count < RECOMMENDED_TRIALS else ""}"""
