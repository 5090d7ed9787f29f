"""Tapers: what part of a pot's track lies between the counter-clockwise end and the wiper at a rotation.

Keyed on words, never on law letters, which contradict each other between regions.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError, did_you_mean

WORDS = ("linear", "audio", "reverse audio")
DEFAULT_MIDDLE = 0.10
"""Part of the track at half rotation of an "audio" taper without a figure (common practice, no source: 10 to 20 %)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taper:
    """A pot's law.

    Parameters
    ----------
    law : "linear", "audio" or "reverse audio"
    middle : float
        Part of the track from the counter-clockwise end at half rotation (0 … 1); of a reverse taper, from the
        clockwise end.
    """

    law: str = "linear"
    middle: float = 0.5

    def __post_init__(self) -> None:
        if self.law not in WORDS:
            raise InputError(f"a taper must be one of linear, audio, reverse audio; got '{self.law}'")
        if not 0 < self.middle < 1:
            raise InputError(f"a taper's half-way part must lie between 0 % and 100 %; got {self.middle:.0%}")

    def __call__(self, rotation: float | np.ndarray) -> float | np.ndarray:
        """Return the part of the track between counter-clockwise end and wiper.

        Two straight pieces that meet at half rotation, as printed tracks are made.

        Parameters
        ----------
        rotation : float or ndarray, 0 … 1

        Returns
        -------
        same shape, 0 … 1; exactly 0 and 1 at the ends

        >>> Taper(law="audio", middle=0.1)(0.75)
        0.55
        """
        if self.law == "linear":
            return rotation
        if self.law == "reverse audio":
            mirrored = Taper(law="audio", middle=self.middle)(1 - rotation)
            return 1 - mirrored
        if isinstance(rotation, np.ndarray):
            return np.where(
                rotation < 0.5, 2 * self.middle * rotation, self.middle + (2 * rotation - 1) * (1 - self.middle)
            )
        if rotation < 0.5:
            return 2 * self.middle * rotation
        return self.middle + (2 * rotation - 1) * (1 - self.middle)

    def __str__(self) -> str:
        return self.law if self.law == "linear" else f"{self.law} {self.middle * 100:g} %"


def parse_taper(text: str) -> Taper:
    """Read a taper such as ``"linear"``, ``"audio 15 %"`` or ``"reverse audio 10 %"``.

    Raises
    ------
    InputError
        If the words are not a taper; a bare law letter is refused because regions disagree on it.

    >>> parse_taper("audio 15 %")
    Taper(law='audio', middle=0.15)
    """
    match = re.fullmatch(r"\s*([a-z][a-z ]*?)\s*(?:(\d+(?:\.\d+)?)\s*%)?\s*", text.casefold())
    words = match[1] if match else text.strip()
    if match is None or words not in WORDS:
        if len(text.strip()) == 1:
            raise InputError(
                "a taper must be given in words, since law letters mean different things in different regions; "
                f"got '{text}'. Known: linear, audio 10 %, reverse audio 10 %."
            )
        raise InputError(
            f"a taper must be one of linear, audio, reverse audio; got '{text}'.{did_you_mean(words, WORDS)}"
        )
    if words == "linear":
        if match[2] is not None:
            raise InputError(f"a linear taper has no half-way figure; got '{text}'")
        return Taper()
    return Taper(law=words, middle=float(match[2]) / 100 if match[2] else DEFAULT_MIDDLE)
