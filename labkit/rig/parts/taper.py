"""Tapers: what part of a pot's track lies between the counter-clockwise end and the wiper at a rotation.

A taper is a row of straight pieces, as printed tracks are made. It is keyed on words, never on law letters, which
contradict each other between regions.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from labkit.core.errors import InputError, did_you_mean

DEFAULT_MIDDLE = 0.10
"""Part of the track at half rotation of an "audio" taper without a figure (common practice, no source: 10 to 20 %)."""

Corners = tuple[tuple[float, float], ...]
"""Pairs of rotation and part of the track, both 0 … 1, rotations rising."""

TAPERS: dict[str, Corners] = {
    "linear": ((0.0, 0.0), (1.0, 1.0)),
    "audio": ((0.0, 0.0), (0.5, DEFAULT_MIDDLE), (1.0, 1.0)),
    "reverse audio": ((0.0, 0.0), (0.5, 1 - DEFAULT_MIDDLE), (1.0, 1.0)),
    "blend rising": ((0.0, 0.0), (0.5, 1.0), (1.0, 1.0)),
    "blend falling": ((0.0, 1.0), (0.5, 1.0), (1.0, 0.0)),
}
"""Every taper that has a name; a figure behind "audio" moves its corner at half rotation."""


@dataclass(frozen=True, slots=True)
class Taper:
    """A pot's law.

    Parameters
    ----------
    name : str
        As written in sheets.
    points : tuple of (rotation, part)
        Corners of the straight pieces, both 0 … 1, from (0, …) to (1, …), rotations rising.
    """

    name: str
    points: Corners

    def __post_init__(self) -> None:
        rotations = [rotation for rotation, _ in self.points]
        rising = all(a < b for a, b in pairwise(rotations))
        if len(self.points) < 2 or rotations[0] != 0 or rotations[-1] != 1 or not rising:
            raise InputError(f"a taper must run from rotation 0 % to 100 %, rising; got {self.name}")
        if not all(0 <= part <= 1 for _, part in self.points):
            raise InputError(f"a taper's parts must lie between 0 % and 100 %; got {self.name}")

    def __call__(self, rotation: float | np.ndarray) -> float | np.ndarray:
        """Return the part of the track between counter-clockwise end and wiper.

        Parameters
        ----------
        rotation : float or ndarray, 0 … 1

        Returns
        -------
        same shape, 0 … 1

        >>> round(parse_taper("audio 10 %")(0.75), 9)
        0.55
        """
        rotations, parts = zip(*self.points)
        found = np.interp(rotation, rotations, parts)
        return found if isinstance(rotation, np.ndarray) else float(found)

    def __str__(self) -> str:
        return self.name


def parse_taper(text: str | Sequence[Sequence[str]]) -> Taper:
    """Read a taper: words such as ``"audio 15 %"``, or a list of corners ``[["50 %", "15 %"], ["80 %", "60 %"]]``.

    Parameters
    ----------
    text : str or sequence of pairs
        "linear"; "audio" or "reverse audio" with the part at half rotation (10 % where none is given); "blend rising"
        and "blend falling" (each gang of a blend pot is full over half the travel); or corners between the ends.

    Raises
    ------
    InputError
        If the words are not a taper; a bare law letter is refused because regions disagree on it.

    >>> parse_taper("audio 15 %").points
    ((0.0, 0.0), (0.5, 0.15), (1.0, 1.0))
    """
    if not isinstance(text, str | list | tuple):
        raise InputError(f'must be a taper such as "audio 10 %"; got {text!r}')
    if not isinstance(text, str):
        return _from_corners(text)
    match = re.fullmatch(r"\s*([a-z][a-z ]*?)\s*(?:(\d+(?:\.\d+)?)\s*%)?\s*", text.casefold())
    words = match[1] if match else text.strip()
    if match is None or words not in TAPERS:
        if len(text.strip()) == 1:
            raise InputError(
                "a taper must be given in words, since law letters mean different things in different regions; "
                f"got '{text}'. Known: {', '.join(TAPERS)}."
            )
        raise InputError(f"a taper must be one of {', '.join(TAPERS)}; got '{text}'.{did_you_mean(words, TAPERS)}")
    if "audio" not in words:
        if match[2] is not None:
            raise InputError(f"a {words} taper has no half-way figure; got '{text}'")
        return Taper(words, TAPERS[words])
    middle = float(match[2]) / 100 if match[2] else DEFAULT_MIDDLE
    if not 0 < middle < 1:
        raise InputError(f"a taper's half-way part must lie between 0 % and 100 %; got '{text}'")
    at_half = middle if words == "audio" else 1 - middle
    return Taper(f"{words} {middle * 100:g} %", ((0.0, 0.0), (0.5, at_half), (1.0, 1.0)))


def taper_data(taper: Taper) -> str | list[list[str]]:
    """Return what a sheet says of a taper: its words, or its corners."""
    if taper.name != _CORNERS:
        return taper.name
    return [[f"{rotation * 100:g} %", f"{part * 100:g} %"] for rotation, part in taper.points[1:-1]]


_CORNERS = "by corners"


def _from_corners(corners: Sequence[Sequence[str]]) -> Taper:
    points = [(0.0, 0.0)]
    for corner in corners:
        numbers = [re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*%\s*", entry) for entry in corner if isinstance(entry, str)]
        if len(numbers) != 2 or None in numbers:
            raise InputError(
                f'a taper\'s corners are pairs of rotation and part, such as ["50 %", "15 %"]; got {corner}'
            )
        rotation, part = (float(number[1]) / 100 for number in numbers if number is not None)
        points.append((rotation, part))
    return Taper(_CORNERS, (*points, (1.0, 1.0)))
