"""Which fault of a soldered wiring explains what a meter shows.

`FaultFinder` works each of `single_faults` out (`harness_as_soldered`): the ohms at the jack in every position, what is
heard there, and what the knobs do. `FaultFinder.causes` puts the faults in the order in which they explain what was
read. Faults that nothing at the jack tells apart are one cause; each has a check of its own that does.

Only one fault at a time is thought of. Which kinds are more frequent than others is common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np

from labkit.core.errors import InputError, did_you_mean, join_words
from labkit.core.joined import Joined
from labkit.core.response import gain_db
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity, parse_quantity
from labkit.rig.claims import read_place
from labkit.rig.devices.meter import METER_TOLERANCE, OPEN_OHM, SHORT_OHM, JackReading, jack_reading, tolerances_of
from labkit.rig.devices.plan import CAN, Lug, SolderPlan, harness_as_soldered
from labkit.rig.devices.single_faults import Joints, Kind, SolderFault, missing_wires, single_faults
from labkit.rig.hum import PositionFacts, coil_signals, position_facts, switch_settings
from labkit.rig.parts.parts import FULL, Position, Pot
from labkit.rig.rig import Rig

Heard = Literal["as it should", "silent", "weak", "hums", "out of phase", "other pickup", "dull", "bright"]
Turned = Literal["as it should", "does nothing", "backwards", "does not close", "silences"]

LIKELY: Mapping[Kind, float] = {
    "missing wire": 1.0,
    "bridged lugs": 0.5,
    "exchanged wires": 0.5,
    "wire on the wrong lug": 0.3,
    "broken part": 0.3,
    "shorted part": 0.3,
}
"""How often a kind of fault is met beside the others (common practice, no source)."""

MOST_PLACES = 32
"""Combinations of the switches that are read; with more, each switch is moved by itself."""
MOST_SHOWN = 6
"""Positions whose readings are said of one fault; how many more differ is counted."""
TURNED_TOLERANCE = 0.5
"""Of the ohms of a track between its ends: its law and where half a turn is differ (common practice, no source)."""
OTHER_TONE_DB = 3.0
"""From here on the level at 4 kHz over that at 400 Hz is told to be another one (common practice, no source)."""
UNSTATED_TOLERANCE = 0.3
"""Of a pickup's resistance that nobody has stated (common practice, no source)."""
STRANGE = -20.0
"""Logarithm of how much an open line in place of ohms, or a wrong word, speaks against a fault."""
_KNOB_HZ = np.array([400.0, 4000.0])
_UNHEARD_DB = -80.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """What shows at the jack.

    Attributes
    ----------
    readings : mapping of str to JackReading or None
        By place; None where no reading is modelled.
    heard : mapping of str to str
        What is heard in each position of the switches, knobs as in a new rig.
    turned : mapping of str to str
        What each knob does.
    """

    readings: Mapping[str, JackReading | None]
    heard: Mapping[str, Heard] = field(default_factory=dict)
    turned: Mapping[str, Turned] = field(default_factory=dict)

    def key(self) -> tuple[object, ...]:
        """Return what two signatures share that cannot be told apart: ohms to a thousandth, and all words."""

        def rounded(reading: JackReading | None) -> object:
            if reading is None or reading.is_open or reading.is_short:
                return None if reading is None else reading.is_open
            return round(1000 * math.log(reading.ohms))

        readings = tuple(rounded(reading) for reading in self.readings.values())
        return readings, tuple(self.heard.values()), tuple(self.turned.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """Faults that show the same at the jack, and how well they explain what was read.

    Attributes
    ----------
    faults : tuple of SolderFault
        The likeliest kind first; empty for a wiring without a fault.
    share : float
        Of all causes, from 0 to 1; before any reading a whole wiring has half.
    signature : Signature
    """

    faults: tuple[SolderFault, ...]
    share: float
    signature: Signature


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """What was read or heard: ohms at a place (infinite where open), or a word for a position or knob."""

    place: str
    ohms: float | None = None
    word: str = ""


# ------------------------------------------------------------------------------------------------------ what they show


class FaultFinder:
    """A wiring as it should be, every single fault of it, and what each shows at the jack.

    Parameters
    ----------
    plan : SolderPlan
    rig : Rig
        Pickups in this wiring, and what it is heard through.
    coils : mapping of str to float, optional
        Relative tolerance of the pickups' DC resistance by slot, ±5 % where left out.
    """

    def __init__(self, plan: SolderPlan, rig: Rig, *, coils: Mapping[str, float] | None = None) -> None:
        self.plan = plan
        controls = {control.name: control.default for control in plan.harness.controls}
        self.rig = rig.replace(harness=plan.harness, settings=controls)
        self.tolerances = tolerances_of(self.rig, coils=coils)
        pots = [part.name for part in plan.harness.parts.values() if isinstance(part, Pot)]
        self.tolerances |= {f"{name} between its ends": TURNED_TOLERANCE for name in pots}
        self.joints: Joints = tuple((wire.one, wire.other) for wire in plan.wires)
        self.positions = read_positions(self.rig)
        self.grounds = {plan.lug_words(lug): lug for lug in _grounds(plan)}
        self.places: dict[str, Mapping[str, Position]] = {**self.positions, **self._turns()}
        self.jack = next(part.name for part in plan.parts.values() if part.kind == "jack")
        self.whole = self.signature(self.joints)

    @cached_property
    def faults(self) -> tuple[tuple[SolderFault, Signature], ...]:
        """Every single fault with what it shows."""
        return tuple((fault, self.signature(fault.joints)) for fault in single_faults(self.plan))

    @cached_property
    def missing_wires(self) -> tuple[tuple[SolderFault, Signature], ...]:
        """Every wire left out, with what that shows."""
        return tuple((fault, self.signature(fault.joints)) for fault in missing_wires(self.plan, self.joints))

    def interval(self, place: str, reading: JackReading) -> Interval:
        """Return a reading at a place with its bounds, Ω; a track between its ends is known to half of its value."""
        named = JackReading(ohms=reading.ohms, shares=self._shares(place, reading))
        return named.interval(self.tolerances)

    def reading_words(self, place: str) -> str:
        """Return what the meter must show at a place, with its bounds."""
        reading = self.whole.readings[place]
        if reading is None:
            return "not modelled: electronics stand at the jack"
        if reading.is_open or reading.is_short:
            return ohms_words(reading.ohms)
        bounds = self.interval(place, reading)
        return f"{ohms_words(bounds.value)} ({ohms_words(bounds.low)} to {ohms_words(bounds.high)})"

    def place_words(self, place: str) -> str:
        """Return a place as it is printed: the positions without their switches where that is clear."""
        settings = self.places.get(place)
        positions = [each for selector in self.rig.harness.selectors for each in selector.positions]
        if settings and len(positions) == len(set(positions)):
            words = [each if isinstance(each, str) else f"{name} at {each:g}" for name, each in settings.items()]
            return ", ".join(words).replace("_", " ")
        return place.replace("_", " ").replace("=", " ")

    def shows(self, signature: Signature) -> str:
        """Return in words how a signature differs from that of a whole wiring."""
        words = []
        changed = {
            place: reading
            for place in self.positions
            if (reading := signature.readings[place]) is not None
            and (meant := self.whole.readings[place]) is not None
            and self.is_told_apart(reading, meant)
        }
        silent = {place for place, word in signature.heard.items() if word == "silent"}
        is_silent = silent == set(self.positions)
        same = {ohms_words(reading.ohms) for reading in changed.values()}
        if len(same) == 1 and len(changed) == len(self.positions) > 1:
            words.append(f"{same.pop()} everywhere")
        else:
            for place, each in list(changed.items())[:MOST_SHOWN]:
                no_sound = ", no sound" if place in silent and not is_silent else ""
                words.append(f"{self.place_words(place)} {ohms_words(each.ohms)}{no_sound}")
            words += _rest(changed)
        loose = [place for place in self.grounds if (now := signature.readings[place]) is not None and now.is_open]
        if loose:
            words.append(f"no beep from the sleeve to {join_words(loose)}")
        for word in dict.fromkeys(signature.heard.values()):
            places = [place for place, each in signature.heard.items() if each == word]
            if word in ("silent", "other pickup") and not (word == "silent" and is_silent):
                places = [place for place in places if place not in changed]  # the ohms say so
            if word != "as it should" and places:
                where = "; ".join([*map(self.place_words, places[:MOST_SHOWN]), *_rest(places)])
                is_all = len(places) == len(signature.heard)
                words.append(f"{_SAID[word]} {'everywhere' if is_all else f'at {where}'}")
        if not is_silent:
            for knob, turned in signature.turned.items():
                if turned != "as it should":
                    words.append(f"{knob.replace('_', ' ')} {_SAID[turned]}")
        return "; ".join(words) or "nothing at the jack"

    @staticmethod
    def is_told_apart(one: JackReading, other: JackReading) -> bool:
        """Say whether two readings differ by more than the meter leaves open."""
        if (one.is_open, one.is_short) != (other.is_open, other.is_short):
            return True
        return not one.is_open and not one.is_short and abs(math.log(one.ohms / other.ohms)) > METER_TOLERANCE

    def _shares(self, place: str, reading: JackReading) -> dict[str, float]:
        settings = self.places.get(place, {})
        found = {}
        for name, share in reading.shares.items():
            part = self.rig.harness.parts.get(name)
            is_between = isinstance(part, Pot) and 0 < float(settings.get(part.control.name, FULL)) < FULL
            found[f"{name} between its ends" if is_between else name] = share
        return found

    def _turns(self) -> dict[str, Mapping[str, Position]]:
        """Places with a knob half open and closed, where the switches let it show the most."""
        found: dict[str, Mapping[str, Position]] = {}
        for knob in self.rig.harness.knobs:
            best: tuple[float, str] = (0.0, "")
            for name, settings in self.positions.items():
                ends = [jack_reading(self.rig, {**settings, knob.name: at}) for at in (FULL, 0.0)]
                values = [min(max(end.ohms, SHORT_OHM), OPEN_OHM) for end in ends if end is not None]
                if len(values) == 2:
                    best = max(best, (abs(math.log(values[0] / values[1])), name), key=lambda each: each[0])
            if best[0] > 0.02:
                for at in (FULL / 2, 0.0):
                    label = f"{knob.name}={at:g}" if best[1] == "always" else f"{best[1]}, {knob.name}={at:g}"
                    found[label] = {**self.positions[best[1]], knob.name: at}
        return found

    def signature(self, joints: Joints) -> Signature:
        """Return what shows at the jack when these lugs are joined."""
        rig = self.rig.replace(harness=harness_as_soldered(self.plan, joints))
        readings: dict[str, JackReading | None]
        readings = {place: jack_reading(rig, settings) for place, settings in self.places.items()}
        joined = Joined([*joints, *self.plan.strands])
        sleeve = Lug(self.jack, "sleeve")
        for words, lug in self.grounds.items():
            readings[words] = JackReading(ohms=0.0 if joined.same(sleeve, lug) else math.inf)
        facts = {place: _facts(rig.replace(settings=settings)) for place, settings in self.positions.items()}
        turns = {knob.name: _turn(rig, knob.name, self.positions.values()) for knob in self.rig.harness.knobs}
        if not hasattr(self, "whole"):
            self._facts, self._knobs = facts, turns
        heard = {place: _heard(facts[place], self._facts[place]) for place in facts}
        turned = {knob: _turned(turn, self._knobs[knob]) for knob, turn in turns.items()}
        return Signature(readings=readings, heard=heard, turned=turned)

    # ------------------------------------------------------------------------------------------------ from a reading

    def observation(self, text: str) -> Observation:
        """Return what a line such as ``neck: 5.7k``, ``both: open``, ``bridge: silent`` or ``tone: does nothing`` says.

        Raises
        ------
        InputError
            If the place, the ohms or the word is not known.
        """
        where, colon, said = (word.strip() for word in text.rpartition(":"))
        if not colon or not where or not said:
            raise InputError(
                f"'{text}': write PLACE: READING, such as '{next(iter(self.positions))}: 5.7k', ': open' or ': silent'"
            )
        place = self._place(where)
        knobs = {knob.name: _TURNED for knob in self.rig.harness.knobs}
        words = knobs.get(place, _HEARD if place in self.positions else ())
        if said.lower() in words:
            return Observation(place=place, word=said.lower())
        if place in knobs:
            known = join_words([f"'{word}'" for word in _TURNED], "or")
            raise InputError(f"'{text}': of a knob say {known}.{did_you_mean(said, words, listing=False)}")
        if said.lower() in ("open", "ol", "o.l"):
            return Observation(place=place, ohms=math.inf)
        if said.lower() in ("beeps", "short"):
            return Observation(place=place, ohms=0.0)
        try:
            ohms = parse_quantity(said, "Ω")
        except InputError:
            others = "".join(f", '{word}'" for word in words)
            raise InputError(
                f"'{text}': expected ohms with their unit (5.7k, 5700 ohm), 'open', 'beeps'{others}; got '{said}'."
                f"{did_you_mean(said, ('open', 'beeps', *words), listing=False)}"
            ) from None
        if not ohms >= 0:
            raise InputError(f"'{text}': ohms are not below zero")
        return Observation(place=place, ohms=ohms)

    def _place(self, where: str) -> str:
        harness = self.rig.harness
        plain = where.replace("_", " ")
        for name in (*self.places, *self.grounds, *(knob.name for knob in harness.knobs)):
            if plain == name.replace("_", " "):
                return name
        try:
            settings = read_place(where, harness.controls)
        except InputError as error:
            known = [*self.places, *self.grounds, *(knob.name for knob in harness.knobs)]
            if "=" in where:
                raise
            raise InputError(f"'{where}' is no place to read here.{did_you_mean(where, known)}") from error
        for name, known_settings in self.places.items():
            if known_settings == settings:
                return name
        self.places[where] = {**settings}
        self.__dict__.pop("faults", None)
        self.whole = self.signature(self.joints)
        return where

    def causes(self, observations: Sequence[Observation]) -> tuple[Cause, ...]:
        """Return the causes in the order in which they explain what was read, none at all among them."""
        groups: dict[object, list[SolderFault]] = {self.whole.key(): []}
        signatures: dict[object, Signature] = {self.whole.key(): self.whole}
        for fault, signature in self.faults:
            groups.setdefault(signature.key(), []).append(fault)
            signatures.setdefault(signature.key(), signature)
        every = sum(LIKELY[fault.kind] for fault, _ in self.faults)
        scores = []
        for key, faults in groups.items():
            faults.sort(key=lambda fault: -LIKELY[fault.kind])
            weight = sum(LIKELY[fault.kind] for fault in faults) if key != self.whole.key() else every
            scores.append((self._agreement(signatures[key], observations) + math.log(weight), key))
        scores.sort(key=lambda each: -each[0])
        total = sum(math.exp(score - scores[0][0]) for score, _ in scores)
        found = []
        for score, key in scores:
            is_whole = key == self.whole.key()
            found.append(
                Cause(
                    faults=() if is_whole else tuple(groups[key]),
                    share=math.exp(score - scores[0][0]) / total,
                    signature=signatures[key],
                )
            )
        return tuple(found)

    def _agreement(self, signature: Signature, observations: Sequence[Observation]) -> float:
        """Logarithm of how well a signature explains what was read."""
        score = 0.0
        logs: list[tuple[float, Mapping[str, float]]] = []
        for seen in observations:
            if seen.ohms is None:
                known = signature.heard.get(seen.place) or signature.turned.get(seen.place)
                is_knob_of_nothing = seen.place in signature.turned and set(signature.heard.values()) == {"silent"}
                score += 0.0 if known == seen.word and not is_knob_of_nothing else STRANGE / 2
                continue
            reading = signature.readings[seen.place]
            if reading is None:
                continue
            kinds = [(ohms >= OPEN_OHM) - (ohms <= 2 * SHORT_OHM) for ohms in (reading.ohms, seen.ohms)]
            if kinds[0] != kinds[1]:
                score += STRANGE
            elif not kinds[0]:
                logs.append((math.log(seen.ohms / reading.ohms), self._shares(seen.place, reading)))
        if logs:
            # parts are the same in every position, so their deviations are shared; the density is that of a normal
            # law over that of the meter alone, so that more readings in ohms are no fault by themselves
            names = list(dict.fromkeys(name for _, shares in logs for name in shares))
            half = [self.tolerances.get(name, 0.0) / 2 for name in names]
            moved = np.array([[shares.get(name, 0.0) * each for name, each in zip(names, half)] for _, shares in logs])
            spread = moved @ moved.T / (METER_TOLERANCE / 2) ** 2 + np.eye(len(logs))
            off = np.array([each for each, _ in logs]) / (METER_TOLERANCE / 2)
            fit = -0.5 * float(off @ np.linalg.solve(spread, off) + np.linalg.slogdet(spread)[1])
            score += max(fit, STRANGE * len(logs))
        return score

    def next_place(self, causes: Sequence[Cause], observations: Sequence[Observation]) -> str | None:
        """Return the place whose reading would tell the first causes apart best; None where none would."""
        taken = {seen.place for seen in observations if seen.ohms is not None}
        best: tuple[float, str | None] = (0.05, None)
        for place in (*self.places, *self.grounds):
            if place in taken:
                continue
            values = []
            for cause in causes[:3]:
                reading = cause.signature.readings[place]
                if reading is not None:
                    values.append(math.log(min(max(reading.ohms, SHORT_OHM), OPEN_OHM)))
            if values and max(values) - min(values) > best[0]:
                best = (max(values) - min(values), place)
        return best[1]


def _rest(places: Collection[str]) -> list[str]:
    """Words on the places beyond those that are shown."""
    more = len(places) - MOST_SHOWN
    return [f"and {more} more position{'s' if more > 1 else ''}"] if more > 0 else []


_HEARD: tuple[str, ...] = ("as it should", "silent", "weak", "hums", "out of phase", "other pickup", "dull", "bright")
_SAID = {
    "silent": "no sound",
    "weak": "weak",
    "hums": "hums",
    "out of phase": "thin, out of phase",
    "other pickup": "other coils heard",
    "dull": "duller than it should be",
    "bright": "brighter than it should be",
    "does nothing": "does nothing",
    "backwards": "works backwards",
    "does not close": "does not close",
    "silences": "silences at 0",
}
_TURNED: tuple[str, ...] = ("as it should", "does nothing", "backwards", "does not close", "silences")


def read_positions(rig: Rig) -> dict[str, Mapping[str, Position]]:
    """Return the places of a rig's switches that are read, by their name; ``always`` where it has none."""
    selectors = rig.harness.selectors
    if not selectors:
        return {"always": {}}
    if math.prod(len(selector.positions) for selector in selectors) <= MOST_PLACES:
        places = list(switch_settings(selectors))
    else:
        usual = {selector.name: selector.default for selector in selectors}
        moved = [{**usual, selector.name: each} for selector in selectors for each in selector.positions]
        places = [dict(pairs) for pairs in dict.fromkeys(tuple(place.items()) for place in moved)]
    if len(selectors) == 1:
        return {str(next(iter(place.values()))): place for place in places}
    return {", ".join(f"{name}={where}" for name, where in place.items()): place for place in places}


def _grounds(plan: SolderPlan) -> Iterator[Lug]:
    """Metal that only has to be ground: cans, screens, the wire from the bridge."""
    for part in plan.parts.values():
        if part.kind == "bridge":
            yield Lug(part.name, "wire")
        elif CAN in part.nodes:
            yield Lug(part.name, CAN)
        elif "screen" in part.nodes:
            yield Lug(part.name, "screen")


def _turn(rig: Rig, knob: str, places: Iterable[Mapping[str, Position]]) -> np.ndarray:
    """Levels with a knob at 0 over those at 10, all coils, dB, shape (places, F); NaN where both are silent."""
    rows = []
    for place in places:
        levels = []
        for at in (0.0, FULL):
            signals = coil_signals(rig.replace(settings={**place, knob: at}), _KNOB_HZ)
            whole = np.sqrt(np.sum(np.abs(np.array(list(signals.values()))) ** 2, axis=0)) if signals else np.zeros(2)
            levels.append(np.maximum(gain_db(whole), _UNHEARD_DB))
        silent = np.maximum(*levels) <= _UNHEARD_DB
        rows.append(np.where(silent, np.nan, levels[0] - levels[1]))
    return np.array(rows)


def _turned(now: np.ndarray, meant: np.ndarray) -> Turned:
    both = ~np.isnan(now) & ~np.isnan(meant)
    if not np.any(both) or np.max(np.abs(meant[both])) < 0.5:
        return "as it should"
    if np.max(np.abs(now[both])) < 0.5:
        return "does nothing"
    place = np.unravel_index(np.argmax(np.where(both, np.abs(meant), 0.0)), meant.shape)
    if meant[place] < -3 and now[place] > 3:
        return "backwards"
    closing = both[:, 0] & (meant[:, 0] < -40)
    if np.any(closing) and np.min(now[closing, 0]) > -20:
        return "does not close"
    if np.min(now[both[:, 0], 0], initial=0.0) < -40 < np.min(meant[both[:, 0], 0], initial=0.0):
        return "silences"
    return "as it should"


def _facts(rig: Rig) -> tuple[PositionFacts, float]:
    """What a rig does, and its treble over its middle, dB."""
    levels = gain_db(np.abs(sum(coil_signals(rig, _KNOB_HZ).values(), np.zeros(2, dtype=complex))))
    return position_facts(rig), float(levels[1] - levels[0])


def _heard(now_heard: tuple[PositionFacts, float], meant_heard: tuple[PositionFacts, float]) -> Heard:
    (now, treble), (meant, meant_treble) = now_heard, meant_heard
    if now.level_db < meant.level_db - 40 and not (meant.phase == "out" and now.heard):
        return "silent" if not now.heard or now.level_db < -60 else "weak"
    if not now.heard and meant.heard:
        return "silent"
    if set(now.heard) != set(meant.heard):
        return "other pickup"
    if now.phase == "out" and meant.phase != "out":
        return "out of phase"
    if now.level_db < meant.level_db - 6:
        return "weak"
    if now.hum == "adds" and meant.hum != "adds":
        return "hums"
    if now.heard and now.phase != "out" and abs(treble - meant_treble) > OTHER_TONE_DB:
        return "dull" if treble < meant_treble else "bright"
    return "as it should"


def ohms_words(ohms: float) -> str:
    """Return what a meter shows: ohms to three digits, ``open``, or ``0 Ω``."""
    if ohms >= OPEN_OHM:
        return "open"
    return "0 Ω" if ohms <= SHORT_OHM else format_quantity(float(f"{ohms:.3g}"), "Ω")
