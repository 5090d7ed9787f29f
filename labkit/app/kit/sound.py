"""The sound of a page without widgets: a take or a recording through A and B, as responses that the page convolves.

A is the rig under the hand, B one that was kept. The page gets the coil signals once and a response for every change;
files are made only to be saved.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Literal

import numpy as np

from labkit.core.errors import InputError
from labkit.core.wav import wav_bytes
from labkit.rig.outputs import counted_outputs
from labkit.rig.rig import Rig
from labkit.sound.convert.difference import DEFAULT_BOOST_DB, Difference
from labkit.sound.live_response import (
    RATE,
    TakeLoudness,
    bin_transfers,
    converting_response,
    impulse_responses,
    noise_response,
)
from labkit.sound.loudness import QUIET_LUFS, match_loudness
from labkit.sound.render.rendering import Renderer
from labkit.sound.render.rig_sound import (
    coil_spots,
    coil_transfers,
    jack_density,
    jack_noise,
    mixing_warnings,
    rig_difference,
    whole_transfer,
)
from labkit.sound.render.string_drive import LevelChange, level_change
from labkit.sound.take.performance import Performance
from labkit.sound.take.sheet import load_take, usable_takes
from labkit.sound.take.take import CoilSpot, Take, synthesise
from labkit.view.words import frequency_in_words, louder_in_words

Letter = Literal["A", "B"]

USUAL_TAKE = "E chord"
LONGEST_S = 12.0
"""Longer takes are left to the command line: a page holds every coil's signal."""

LONGEST_RECORDING_S = 60.0
SILENT = "nothing reaches the input: turn the volume up"
AS_IT_IS = "unknown, taken as it is"
"""What a recording was made through where nobody knows: then it stands for the strings themselves."""

LIVE_BOOST_DB = 12.0
"""Greatest boost of what is played live: hum and hiss of the input rise with it while nobody plays."""

_UNHEARD = 1e-5
_FAINTEST = 1e-5
_RECORDING = "recording"
_INPUT = "input"
NOISE = "noise"
"""Key of the white noise that a page makes itself, and lets through at true level only (``live_sound.js``)."""

_HIGHEST_HZ = 16_000.0
"""Up to here the band of a conversion is judged: a recording holds little above."""

_NOTHING = np.zeros((0, 0), dtype=np.float32)


def take_names() -> tuple[str, ...]:
    """Return the takes short enough for a page, the usual one first."""
    names = [name for name in usable_takes() if _performance(name).duration_s <= LONGEST_S]
    return tuple(sorted(names, key=lambda name: (name != USUAL_TAKE, names.index(name))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OwnRecording:
    """A person's own recording, or what they play live.

    Attributes
    ----------
    name : str
    samples : ndarray, shape (samples,)
        One channel, 48 000 samples a second.
    loudness : TakeLoudness
    through : Rig, optional
        The rig it was made through; None takes the recording for the strings themselves.
    is_live : bool
        True for the input: then `samples` are a take in its stead, by which loudness is judged.
    """

    name: str
    samples: np.ndarray
    loudness: TakeLoudness
    through: Rig | None = None
    is_live: bool = False

    @property
    def lufs(self) -> float:
        """Loudness as it is."""
        return self.loudness.of(bin_transfers(np.ones_like))

    def difference(self, rig: Rig, levels_db: Mapping[str, float]) -> Difference:
        """Return what turns it into the sound of another rig.

        Raises
        ------
        InputError
            If one of the two rigs passes nothing.
        """
        boost = LIVE_BOOST_DB if self.is_live else DEFAULT_BOOST_DB
        if self.through is not None:
            return rig_difference(self.through, rig, greatest_boost_db=boost)
        return Difference(
            before=lambda frequency_hz: np.ones(np.shape(frequency_hz), dtype=complex),
            after=whole_transfer(rig, levels_db=levels_db),
            greatest_boost_db=boost,
            before_name="the recording",
            after_name=rig.name,
        )

    @classmethod
    def of(cls, name: str, samples: np.ndarray) -> OwnRecording:
        """Return a recording of which nothing else is known.

        Raises
        ------
        InputError
            If it is too short, too long, silent, or holds what is no number.
        """
        if not np.all(np.isfinite(samples)):
            raise InputError(f"{name} holds samples that are not numbers; save it again")
        if not np.any(np.abs(samples) > _FAINTEST):
            raise InputError(f"{name} is silent; a recording of the instrument is due")
        if samples.size > LONGEST_RECORDING_S * RATE:
            seconds = samples.size / RATE
            raise InputError(f"{name} lasts {seconds:.0f} s; the page takes {LONGEST_RECORDING_S:.0f} s: cut it first")
        return cls(name=name, samples=samples, loudness=TakeLoudness(samples[None, :]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardSide:
    """One of the two sounds.

    Attributes
    ----------
    keys : tuple of str
        Names of the signals that are convolved and added.
    responses : ndarray, shape (signals, taps), float32
    lufs : float
        Loudness before any gain; −infinity where nothing reaches the input.
    words : str
        Why nothing is heard, or where a conversion is true; else empty.
    band_hz : (float, float) or None
        Where the conversion of a recording is true, Hz; None for a take, and where nothing is known of the recording.
    noise : ndarray or None, shape (1, taps), float32
        Response that makes the noise of the rig at the jack out of white noise; a recording has noise of its own.
    """

    keys: tuple[str, ...]
    responses: np.ndarray
    lufs: float
    words: str = ""
    band_hz: tuple[float, float] | None = None
    noise: np.ndarray | None = None

    @property
    def sent(self) -> tuple[list[str], np.ndarray]:
        """Keys and responses as the page convolves them: the signals, then white noise of its own as `NOISE`."""
        if self.noise is None:
            return list(self.keys), self.responses
        taps = max(self.responses.shape[-1], self.noise.shape[-1])
        rows = [np.pad(each, ((0, 0), (0, taps - each.shape[-1]))) for each in (self.responses, self.noise)]
        return [*self.keys, NOISE], np.concatenate(rows)

    @property
    def is_silent(self) -> bool:
        """True where nothing is heard."""
        return self.lufs == -np.inf


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardPair:
    """What a page needs to play A, and B where one was kept; what is played live stays as loud as it comes in."""

    sides: Mapping[Letter, HeardSide]
    first_lufs: float
    target_lufs: float = QUIET_LUFS

    @property
    def band_hz(self) -> tuple[float, float] | None:
        """Where the conversions of all sides are true, Hz; None where nothing is converted."""
        bands = [side.band_hz for side in self.sides.values() if side.band_hz is not None]
        return (max(low for low, _ in bands), min(high for _, high in bands)) if bands else None

    def gains_db(self, *, is_same: bool) -> dict[Letter, float | None]:
        """Return the gain to put on each side, dB; None for a silent one.

        Both at the target where they are to be equally loud; otherwise the louder of A and B, or of A and what A was
        when it began to sound.
        """
        heard = {letter: side.lufs for letter, side in self.sides.items()}
        loudest = max(heard.get("B", self.first_lufs), *heard.values())
        return {
            letter: None if lufs == -np.inf else self.target_lufs - (lufs if is_same else loudest)
            for letter, lufs in heard.items()
        }

    def level_words(self, letter: Letter, *, is_same: bool) -> str:
        """Say what was done to a side's level, or how it stands against the other's."""
        side, other = self.sides[letter], self.sides.get("B" if letter == "A" else "A")
        if side.is_silent:
            return "silent"
        if other is None or other.is_silent:
            return ""
        change = side.lufs - other.lufs
        if not is_same:
            return f"level {signed_db(change)}"
        return f"{signed_db(-change)} to match" if round(change, 1) > 0 else "as it is"


class LiveSound:
    """A take or a recording through A and B, worked out anew for every change.

    Attributes
    ----------
    take : str
        Catalogue name of what is played.
    recording : OwnRecording, optional
        Played in the take's place.
    """

    def __init__(self) -> None:
        self.take = USUAL_TAKE
        self.recording: OwnRecording | None = None
        self.signals: dict[str, np.ndarray] = {}
        """What sides name by key, shape (samples,), float32."""
        self._first_lufs: float | None = None
        self._kept: tuple[Rig, OwnRecording | None, str, Mapping[str, float], HeardSide] | None = None

    def play(self, take: str = "", recording: OwnRecording | None = None) -> None:
        """Play another take, or a recording."""
        self.take, self.recording = take or self.take, recording
        self.signals.clear()
        self._first_lufs = self._kept = None

    def play_input(self, through: Rig | None, now: Rig) -> None:
        """Play what comes in, from a guitar with the rig ``through``; the present take stands in for its loudness."""
        take, _, _ = _played(self.take, through or now)
        samples = take.emf[0]
        if through is not None:
            samples = Renderer(take).render(coil_transfers(through, take.coils))
        loudness = TakeLoudness(samples[None, :])
        self.play(
            recording=OwnRecording(name=_INPUT, samples=samples, loudness=loudness, through=through, is_live=True)
        )

    def hear(self, now: Rig, kept: Rig | None = None) -> HeardPair:
        """Return A, and B where one is kept, with the outputs of both counted as in every comparison."""
        levels = counted_outputs(now if kept is None else kept, now).levels_db
        sides: dict[Letter, HeardSide] = {"A": self._side(now, levels[-1])}
        if kept is not None:
            sides["B"] = self._kept_side(kept, levels[0])
        if self._first_lufs is None:
            self._first_lufs = sides["A"].lufs
        is_live = self.recording is not None and self.recording.is_live
        target = self.recording.lufs if self.recording is not None and is_live else QUIET_LUFS
        return HeardPair(sides=sides, first_lufs=self._first_lufs, target_lufs=target)

    def sound_file(self, now: Rig, kept: Rig | None, letter: Letter, *, is_same: bool) -> bytes:
        """Return A or B as a WAV file, by the whole response and at the gain that the page plays it with.

        At true level the noise of the rig is in it.

        Raises
        ------
        InputError
            If one of them is silent, or what is heard is played live.
        """
        if self.recording is not None and self.recording.is_live:
            raise InputError("nothing of what is played live is kept: choose a take or a recording to save it")
        levels = counted_outputs(now if kept is None else kept, now).levels_db
        sounds = {"A": self._render(now, levels[-1])}
        if kept is not None:
            sounds["B"] = self._render(kept, levels[0])
        matched = match_loudness(sounds, RATE, keep_difference=not is_same)
        samples, rig = matched.samples[letter], kept if letter == "B" else now
        if not is_same and self.recording is None and rig is not None:
            samples = samples + jack_noise(rig, samples.size, rate=RATE) * 10 ** (matched.gain_db[letter] / 20)
        return wav_bytes(samples, RATE, sample_format="PCM_16", name=letter)

    def _kept_side(self, kept: Rig, levels_db: Mapping[str, float]) -> HeardSide:
        """The side of B, which stays while A moves."""
        if self._kept is not None:
            rig, recording, take, levels, side = self._kept
            if rig is kept and recording is self.recording and (take, levels) == (self.take, levels_db):
                return side
        side = self._side(kept, levels_db)
        self._kept = (kept, self.recording, self.take, levels_db, side)
        return side

    def _side(self, rig: Rig, levels_db: Mapping[str, float]) -> HeardSide:
        if self.recording is not None:
            if not self.recording.is_live:
                self.signals[_RECORDING] = self.recording.samples.astype(np.float32, copy=False)
            return _converted(self.recording, rig, levels_db)
        take, loudness, keys = _played(self.take, rig)
        transfers = bin_transfers(coil_transfers(rig, take.coils, levels_db=levels_db))
        lufs = loudness.of(transfers)
        if lufs == -np.inf:
            return HeardSide(keys=(), responses=_NOTHING, lufs=lufs, words=SILENT)
        sizes = np.abs(transfers).max(axis=1)
        heard = [place for place, size in enumerate(sizes) if size > _UNHEARD * sizes.max()]
        for place in heard:
            self.signals.setdefault(keys[place], take.emf[place].astype(np.float32))
        return HeardSide(
            keys=tuple(keys[place] for place in heard),
            responses=impulse_responses(transfers[heard]),
            lufs=lufs,
            noise=noise_response(partial(jack_density, rig)),
        )

    def _render(self, rig: Rig, levels_db: Mapping[str, float]) -> np.ndarray:
        if self.recording is not None:
            from labkit.sound.convert.conversion import convert_samples

            return convert_samples(self.recording.samples, RATE, self.recording.difference(rig, levels_db))
        take, _, _ = _played(self.take, rig)
        return Renderer(take).render(coil_transfers(rig, take.coils, levels_db=levels_db))


def level_sentence(now: Rig, kept: Rig, pair: HeardPair) -> str:
    """Say how loud A is against B before anything is matched, with its bounds and how outputs were counted."""
    one, other = pair.sides["A"], pair.sides["B"]
    if one.is_silent or other.is_silent:
        return ""
    change = level_change(kept, now, outputs=counted_outputs(kept, now), measured_db=one.lufs - other.lufs)
    sentence = compared_in_words(change, "A", "B").replace(" was ", " is ", 1)
    return f"Before matching, {sentence}."


def compared_in_words(change: LevelChange, one: str, other: str) -> str:
    """Say how loud one sound was against another before they were matched, and how outputs were counted."""
    said = louder_in_words(change.level_db.interval)
    words, bracket, bounds = said.partition(" (")
    sentence = f"{one} was {words} {'as' if words == 'as loud' else 'than'} {other}{bracket}{bounds}"
    return f"{sentence}, {change.words}" if change.words else sentence


def signed_db(value: float) -> str:
    """Write a level with its sign and one decimal.

    >>> signed_db(-1.62), signed_db(0.04), signed_db(2.5)
    ('−1.6\xa0dB', '0.0\xa0dB', '+2.5\xa0dB')
    """
    rounded = round(value, 1)
    sign = "+" if rounded > 0 else "−" if rounded < 0 else ""
    return f"{sign}{abs(rounded):.1f}\N{NO-BREAK SPACE}dB"


def _converted(recording: OwnRecording, rig: Rig, levels_db: Mapping[str, float]) -> HeardSide:
    try:
        difference = recording.difference(rig, levels_db)
        band = difference.band(_HIGHEST_HZ)
    except InputError as error:
        return HeardSide(keys=(), responses=_NOTHING, lufs=-np.inf, words=str(error))
    if recording.through is None:
        words = [f"as if the {_INPUT if recording.is_live else _RECORDING} were the strings themselves"]
    else:
        noise = difference.boost_db(_HIGHEST_HZ)
        low, high = map(frequency_in_words, band)
        words = [f"true from {low} to {high}", f"noise rises by up to {max(noise, 0.0):.0f}\N{NO-BREAK SPACE}dB"]
        words += mixing_warnings(recording.through, rig)
    return HeardSide(
        keys=(_INPUT if recording.is_live else _RECORDING,),
        responses=converting_response(difference),
        lufs=recording.loudness.of(bin_transfers(difference.limited)),
        words="; ".join(words),
        band_hz=None if recording.through is None else band,
    )


def _played(name: str, rig: Rig) -> tuple[Take, TakeLoudness, tuple[str, ...]]:
    """A take under the coils of a rig, its loudness, and the names of its signals: one for each place of a coil."""
    spots = tuple(coil_spots(rig, scale=_performance(name).strings.scale).items())
    return (*_synthesised(name, spots), tuple(f"{name}, {spot}" for _, spot in spots))


@lru_cache(maxsize=6)
def _synthesised(name: str, spots: tuple[tuple[str, CoilSpot], ...]) -> tuple[Take, TakeLoudness]:
    take = synthesise(_performance(name), dict(spots), rate=RATE)
    return take, TakeLoudness(take.emf)


@lru_cache(maxsize=32)
def _performance(name: str) -> Performance:
    return load_take(name)
