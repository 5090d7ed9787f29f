"""The wirings to choose from: what is in the guitar with each, and its small curves, one for every position."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from html import escape
from typing import Any

import numpy as np

from labkit.app.kit.controls import Value
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.rebuild import WIRING, rebuilt
from labkit.app.kit.rig.state import Setup
from labkit.catalogue import catalogue
from labkit.core.grid import frequency_grid
from labkit.rig.harness import Harness
from labkit.rig.parts.active import OnboardBuffer, OperationalAmplifier, ShelvingAmplifier, Transistor
from labkit.rig.parts.parts import FULL, Switch
from labkit.rig.rig import Rig
from labkit.view import svg
from labkit.view.curve.curve import HIGH_HZ, LOW_HZ
from labkit.view.drawings.faceplate import draw_faceplate, hidden_word, knob_letter, two_coil_slots
from labkit.view.palette import LINE, MUTED, NOW, PINS, CurveStyle

GRID_HZ = frequency_grid(LOW_HZ, HIGH_HZ, 56)
"""Frequencies of the small curves."""

MOST_POSITIONS = 5
"""Small curves in one drawing: as many as a switch of this trade has stops, and strokes that can be told apart."""

_WIDTH, _HEIGHT = 220.0, 46.0
_HIGH_DB, _LOW_DB = 15.0, -30.0
_STROKES = (NOW, *PINS, CurveStyle(colour=MUTED, dash=(1, 2)))
_KNOB_STOPS = {"B": (5.0, 0.0, 10.0), "L": (10.0, 5.0, 0.0), "T": (10.0, 5.0, 0.0), "V": (10.0, 5.0)}
_COUNTS = ("No pickup", "One pickup", "Two pickups", "Three pickups", "Four pickups")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """A wiring as a person looks for it.

    Attributes
    ----------
    name, does : str
        Of the harness, and what it is good for.
    group : str
        Heading it stands under.
    face : str
        Drawing of the instrument's face, SVG.
    coils, pickups, knobs : int
    stops : tuple of int
        Positions of every switch.
    kinds : tuple of str
        What its switches look like: lever, toggle, push-pull, rotary, slide.
    splits, cancels, battery : bool
        Reaches the coils of a pickup one by one; cancels hum in some position; has a buffer inside.
    """

    name: str
    does: str
    group: str
    face: str
    coils: int
    pickups: int
    knobs: int
    stops: tuple[int, ...]
    kinds: tuple[str, ...]
    splits: bool
    cancels: bool
    battery: bool

    @property
    def data(self) -> dict[str, Any]:
        """What the page gets of it."""
        return {
            "name": self.name,
            "does": self.does,
            "group": self.group,
            "face": self.face,
            "coils": self.coils,
            "pickups": self.pickups,
            "knobs": self.knobs,
            "stops": list(self.stops),
            "kinds": list(self.kinds),
            "has": [word for word in ("splits", "cancels", "battery") if getattr(self, word)],
        }


def wirings() -> tuple[Wiring, ...]:
    """Return the wirings of the catalogue by number of pickups, coils, knobs and switches, then by name."""
    found = [wiring_of(catalogue().load("harness", name)) for name in catalogue().usable_names("harness")]
    return tuple(sorted(found, key=lambda each: (each.pickups, each.coils, each.knobs, each.stops, each.name)))


def wiring_of(harness: Harness) -> Wiring:
    """Return what a person looks for in a harness."""
    split = two_coil_slots(harness)
    count = len(harness.slots)
    group = _COUNTS[count] if count < len(_COUNTS) else f"{count} pickups"
    if split:
        group = "One two-coil pickup" if count == 1 else f"{group}, coils reached one by one"
    return Wiring(
        name=harness.name,
        does=(harness.purpose or harness.summary),
        group=group,
        face=draw_faceplate(harness),
        coils=count + len(split),
        pickups=count,
        knobs=len(harness.knobs),
        stops=tuple(len(selector.positions) for selector in harness.selectors),
        kinds=tuple(sorted({part.style for part in harness.parts.values() if isinstance(part, Switch)})),
        splits=bool(split),
        cancels=any(claim.hum == "cancels" for claim in harness.claims),
        battery=any(
            isinstance(part, OnboardBuffer | OperationalAmplifier | ShelvingAmplifier | Transistor)
            for part in harness.parts.values()
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionCurves:
    """The curves of a wiring at its positions, in dB on `GRID_HZ`.

    Attributes
    ----------
    names : tuple of str
    gains_db : tuple of ndarray, shape (F,)
    """

    names: tuple[str, ...]
    gains_db: tuple[np.ndarray, ...]

    @property
    def drawing(self) -> str:
        """The curves, SVG; their names are its text alternative."""
        across = np.linspace(0, _WIDTH, GRID_HZ.size)
        zero = _height(np.zeros(1))[0]
        lines = [svg.element("path", d=f"M0 {svg.number(zero)}H{_WIDTH:g}", stroke=LINE, fill="none")]
        for gain, style in reversed(list(zip(self.gains_db, _STROKES))):
            thin = replace(style, width=2 if style is NOW else 1.5)
            lines.append(svg.polyline(across, _height(gain), thin, vector_effect="non-scaling-stroke"))
        named = "Level over frequency: " + "; ".join(self.names)
        return svg.element(
            "svg",
            svg.element("title", escape(named)),
            *lines,
            class_="lab-spark",
            role="img",
            aria_label=named,
            viewBox=f"0 0 {_WIDTH:g} {_HEIGHT:g}",
            preserveAspectRatio="none",
        )


def small_curves(offers: RigOffers, setup: Setup, wiring: str) -> PositionCurves:
    """Return the curves of a setup's pickups, cable and input behind a wiring, knobs where a new rig has them.

    Raises
    ------
    InputError
        If the wiring cannot be filled with pickups.
    """
    return positions_of(offers.rig(rebuilt(offers, standing(offers, setup), WIRING, wiring)))


def standing(offers: RigOffers, setup: Setup) -> Setup:
    """Return a setup with knobs and switches as in a new rig: what small curves depend on."""
    moving = {control.name for control in offers.base(setup.rig).harness.controls}
    return replace(setup, changes=tuple(change for change in setup.changes if change[0] not in moving))


def positions_of(rig: Rig) -> PositionCurves:
    """Return a rig's curves at the positions of its switch, or of the knob that tells most where it has none."""
    settings = _settings(rig)
    gains = [rig.replace(settings=dict(moved)).response(GRID_HZ).shown_gain_db for moved in settings.values()]
    return PositionCurves(names=tuple(settings), gains_db=tuple(gains))


def _settings(rig: Rig) -> dict[str, Mapping[str, Value]]:
    """Names of the positions and what each sets: of the second switch, or the selector, or the knob that tells most."""
    selectors = rig.harness.selectors
    if selectors:
        # a second switch (phase, split, bypass) is what sets a wiring apart from the plain one
        chosen = next((each for each in selectors if each.name != "selector"), selectors[0])
        here = str(rig.settings[chosen.name])
        places = [here, *(place for place in chosen.positions if place != here)][:MOST_POSITIONS]
        return {place.replace("_", " "): {chosen.name: place} for place in places}
    knobs = {knob_letter(knob.name): knob.name for knob in reversed(rig.harness.knobs)}
    letter = next(
        (letter for letter in ("B", "L", "T" if _is_about_tone(rig.harness) else "V", "V") if letter in knobs), ""
    )
    if not letter:
        return {"no controls": {}}
    name, (first, *others) = knobs[letter], _KNOB_STOPS[letter]
    named = name.replace("_", " ")
    turned: dict[str, Mapping[str, Value]] = {f"{named} at {stop:g}": {name: stop} for stop in others}
    return {("all at 10" if first == FULL else f"{named} at {first:g}"): {name: first}, **turned}


def _is_about_tone(harness: Harness) -> bool:
    word = hidden_word(harness)
    return word in ("inductor", "no-load tone", "limited tone") or word.endswith("F")


def _height(gain_db: np.ndarray) -> np.ndarray:
    part: np.ndarray = (_HIGH_DB - np.clip(gain_db, _LOW_DB, _HIGH_DB)) / (_HIGH_DB - _LOW_DB)
    return part * _HEIGHT
