"""A blind test as a thing: plan, seal, sounds of each trial, result. Its life in a folder is in `blind_folder`.

What hides the assignment: neutral names, one loudness, one length, one sample format, one file time, and fresh dither
of one 24-bit step in every sound, so that no two files are equal byte for byte. The seal keeps the key from being read
in passing and its fingerprint shows that it was not changed afterwards; it does not stop a person who sets out to
decode it or to subtract the files. A test is for those who want to know.
"""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from labkit.core.errors import InputError
from labkit.core.wav import wav_bytes
from labkit.sound.blind.abx import RECOMMENDED_TRIALS, Choice, Score, Trial, plan_trials, score

ROLES = ("a", "b", "x")
_STEP = 2.0**-23
_SEAL = "labkit sealed key 1\n"


def title_of(rigs: tuple[str, str]) -> str:
    """Return the title of a test of two rigs; what both share is said once.

    >>> title_of(("bench rig", "bench rig with volume=5")), title_of(("bench rig", "other rig"))
    ('bench rig against the same with volume=5', 'bench rig against other rig')
    """
    one, other = rigs
    more = other.removeprefix(one)
    is_same = other != one and other.startswith(one) and more.startswith((" with ", " and "))
    return f"{one} against {f'the same{more}' if is_same else other}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindTest:
    """Two rigs and a hidden plan.

    Parameters
    ----------
    rigs : (str, str)
        What the two are called; shown before the test, since knowing them does not tell which is which.
    trials : tuple of Trial
    nonce : str
        Random text that makes the fingerprint unguessable.
    seed : int
        From which plan and dither follow.
    details : mapping
        Everything needed to make the sounds again (JSON values): sheets, take, levels, version.
    """

    rigs: tuple[str, str]
    trials: tuple[Trial, ...]
    nonce: str
    seed: int
    details: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def plan(
        cls,
        rigs: tuple[str, str],
        *,
        trials: int = RECOMMENDED_TRIALS,
        seed: int | None = None,
        details: Mapping[str, Any] | None = None,
    ) -> BlindTest:
        """Return a new test with a random plan (from the system's secure source unless a seed is given)."""
        chosen = secrets.randbits(63) if seed is None else seed
        return cls(
            rigs=rigs,
            trials=plan_trials(trials, chosen),
            nonce=secrets.token_hex(16),
            seed=chosen,
            details=dict(details or {}),
        )

    @property
    def title(self) -> str:
        """What the test is about, in plain words."""
        return title_of(self.rigs)

    @property
    def key(self) -> dict[str, Any]:
        """The secret, as JSON values."""
        return {
            "rigs": list(self.rigs),
            "trials": [asdict(trial) for trial in self.trials],
            "nonce": self.nonce,
            "seed": self.seed,
            "details": dict(self.details),
        }

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the key: published before the test, checked at the end."""
        return hashlib.sha256(_canonical(self.key)).hexdigest()

    def sealed(self) -> str:
        """The key as text that cannot be read in passing."""
        packed = base64.b85encode(zlib.compress(_canonical(self.key), 9)).decode()
        return _SEAL + "\n".join(packed[start : start + 100] for start in range(0, len(packed), 100)) + "\n"

    @classmethod
    def unseal(cls, text: str, fingerprint: str) -> BlindTest:
        """Return the test inside a sealed key.

        Raises
        ------
        InputError
            If the text is no sealed key, or does not belong to the fingerprint.
        """
        if not text.startswith(_SEAL):
            raise InputError("the sealed key is damaged or of another version")
        try:
            key = json.loads(zlib.decompress(base64.b85decode("".join(text[len(_SEAL) :].split()))))
            test = cls(
                rigs=(key["rigs"][0], key["rigs"][1]),
                trials=tuple(Trial(**trial) for trial in key["trials"]),
                nonce=key["nonce"],
                seed=key["seed"],
                details=key["details"],
            )
        except (ValueError, KeyError, TypeError, IndexError, zlib.error):
            raise InputError("the sealed key is damaged") from None
        if test.fingerprint != fingerprint:
            raise InputError("the sealed key does not belong to this test: its fingerprint differs")
        return test

    def sound(self, number: int, role: str, sounds: tuple[np.ndarray, np.ndarray], rate: int) -> bytes:
        """Return the WAV of one role in one trial.

        Parameters
        ----------
        number : int
            Trial, from 1.
        role : str
            "a", "b" or "x".
        sounds : (ndarray, ndarray), shape (frames,)
            The two rigs at equal loudness and of equal length.
        rate : int, Hz
        """
        if role not in ROLES or not 1 <= number <= len(self.trials):
            raise InputError(f"sounds are a, b and x of trials 1 to {len(self.trials)}; got {role!r} of {number}")
        if np.shape(sounds[0]) != np.shape(sounds[1]):
            raise InputError("the two sounds of a blind test must have one length")
        sound = sounds[self.trials[number - 1].rig(role)]
        random = np.random.default_rng([self.seed & 0xFFFFFFFF, self.seed >> 32, number, ROLES.index(role)])
        dither = (random.random(sound.shape) - random.random(sound.shape)) * _STEP
        return wav_bytes(np.clip(sound + dither, -1.0, 1.0 - _STEP), rate, name=f"trial {number} {role}")

    def score(self, answers: Mapping[int, Choice]) -> Score:
        """Count the answers; see `labkit.sound.blind.abx.score`."""
        return score(self.trials, answers)

    def result(self, answers: Mapping[int, Choice]) -> dict[str, Any]:
        """The whole outcome as JSON values: score, meaning, every trial, and the key to repeat it."""
        counted = self.score(answers)
        return {
            "rigs": list(self.rigs),
            "score": asdict(counted),
            "told_apart": counted.told_apart,
            "meaning": counted.meaning,
            "trials": [
                {
                    "trial": number,
                    **{role: self.rigs[trial.rig(role)] for role in ROLES},
                    "right_answer": trial.right,
                    "answer": answers.get(number),
                }
                for number, trial in enumerate(self.trials, start=1)
            ],
            "fingerprint": self.fingerprint,
            "key": self.key,
        }


def _canonical(key: Mapping[str, Any]) -> bytes:
    return json.dumps(key, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
