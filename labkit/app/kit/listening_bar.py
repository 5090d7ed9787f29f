"""The bar at the foot of every page: Play, the two sounds A and B, what is played, and at which level.

`ListeningBar` is the widget; `Listening` ties it to what a page lets be heard. The page's script convolves; from here
come the signals once, and a response and its gain for every change.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import traitlets

from labkit.app.kit.background import Debounce
from labkit.app.kit.files import FileTaker, GivenFile, Intake
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.sound import (
    AS_IT_IS,
    LONGEST_RECORDING_S,
    HeardPair,
    HeardSide,
    Letter,
    LiveSound,
    OwnRecording,
    level_sentence,
    take_names,
)
from labkit.app.kit.widgets import web_text
from labkit.core.errors import InputError, capitalized
from labkit.rig.rig import Rig
from labkit.sound.live_response import RATE
from labkit.sound.loudness import HEARING_CAUTION

SENTENCE_PAUSE_S = 0.3
"""The level with its bounds is said when a drag has ended."""

ABOUT_HEARING = "Whether a difference is heard, only a blind test tells."
AS_NOW, AS_KEPT = "A, as it stands now", "B"
LETTERS = "BCD"


class ListeningBar(FileTaker):
    """The bar; ``on(name, handler)`` with ``start``, ``stop``, ``take``, ``keep``, ``next``, ``hear``, ``drop``,
    ``undo``, ``redo``, ``own``, ``through`` and ``save``.

    Attributes
    ----------
    sounds : list of dict
        Letter, text and full text of A and of what is kept, B first.
    rigs : list of str
        What a recording may have been made through.
    recording : dict
        Name, what it was made through, and where that is true; empty without one.
    live : dict
        Where the conversion of what is played live is true; empty unless it is heard.
    blind : str or None
        Query of a blind test of A and B; None where the page has none to offer.
    is_away : bool
        True while nothing may be heard.
    """

    _esm = web_text("kept_files.js", "sound_guard.js", "live_sound.js", "live_input.js", "listening_bar.js")
    _css = web_text("tokens.css", "widgets.css", "listening_bar.css")
    takes: traitlets.List[Any] = traitlets.List().tag(sync=True)
    take = traitlets.Unicode("").tag(sync=True)
    sounds: traitlets.List[Any] = traitlets.List().tag(sync=True)
    rigs: traitlets.List[Any] = traitlets.List().tag(sync=True)
    recording = traitlets.Dict().tag(sync=True)
    live = traitlets.Dict().tag(sync=True)
    blind = traitlets.Unicode(None, allow_none=True).tag(sync=True)
    keeps = traitlets.Bool(True).tag(sync=True)
    said = traitlets.Unicode("").tag(sync=True)
    note = traitlets.Unicode(f"{ABOUT_HEARING} {HEARING_CAUTION}").tag(sync=True)
    longest_s = traitlets.Float(LONGEST_RECORDING_S).tag(sync=True)
    is_away = traitlets.Bool(False).tag(sync=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A sound to compare with.

    Attributes
    ----------
    text, full : str
        What sets it apart from A, short and in full.
    here : str
        What sets A apart from it, short.
    rig : callable
        Returns it.
    slot : int, optional
        Its place among the pins; None for what the page itself compares with.
    """

    text: str
    rig: Callable[[], Rig]
    full: str = ""
    here: str = "as it stands"
    slot: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hearing:
    """What a page lets be heard.

    Attributes
    ----------
    rig : Rig
        A.
    name : str
        What A is called where nothing is kept.
    kept : tuple of Kept
        B, C, D.
    offers : RigOffers
        The rigs that a recording may have been made through.
    blind : str or None
        Query of a blind test.
    keeps : bool
        Whether sounds can be kept here.
    """

    rig: Rig
    name: str
    kept: tuple[Kept, ...]
    offers: RigOffers
    blind: str | None = None
    keeps: bool = True

    @property
    def other(self) -> Rig | None:
        """B."""
        return self.kept[0].rig() if self.kept else None


class Listening:
    """Ties a bar to what a page lets be heard.

    Parameters
    ----------
    bar : ListeningBar
    hearing : callable
        Returns what is to be heard at present.
    """

    def __init__(self, hearing: Callable[[], Hearing]) -> None:
        largest = round(LONGEST_RECORDING_S * RATE) * 4
        self.bar = ListeningBar(
            Intake(largest=largest, what="a recording", advice="Cut it first."), takes=list(take_names())
        )
        self.sound = LiveSound()
        if self.bar.takes and self.sound.take not in self.bar.takes:
            self.sound.take = self.bar.takes[0]
        self.bar.take = self.sound.take
        self.is_playing = False
        self._hearing = hearing
        self._sent: dict[Letter, HeardSide] = {}
        self._signals: set[str] = set()
        self._sentence = Debounce(self._say_level, SENTENCE_PAUSE_S)
        self._pair: HeardPair | None = None
        self._recording: OwnRecording | None = None
        self._through_name = AS_IT_IS
        self._other_source: Callable[[], None] = lambda: None
        for name, handler in (
            ("start", self._start),
            ("stop", self._stop),
            ("take", self._take),
            ("own", self._play_recording),
            ("through", self._through),
            ("save", self._save),
        ):
            self.bar.on(name, handler)
        self.bar.on_file(self._recorded)

    @property
    def band_hz(self) -> tuple[float, float] | None:
        """Where the conversion of what is heard is true, Hz; None where nothing is converted."""
        return None if self._pair is None else self._pair.band_hz

    def on_other_source(self, handler: Callable[[], None]) -> None:
        """Call ``handler()`` when something else is played: a take, a recording, the input, or through another rig."""
        self._other_source = handler

    def show(self) -> None:
        """Sound and show the present state; without a rig there is no bar."""
        try:
            hearing = self._hearing()
        except InputError:
            self.bar.is_away = True
            return
        if self.is_playing:
            self._send(hearing)
        kept = hearing.kept
        self.bar.sounds = [
            {"letter": "A", "text": kept[0].here if kept else hearing.name, "full": ""},
            *(
                {"letter": letter, "text": one.text, "full": one.full or one.text, "slot": one.slot}
                for letter, one in zip(LETTERS, kept)
            ),
        ]
        self.bar.rigs = [AS_IT_IS, AS_NOW, *([AS_KEPT] if kept else []), *hearing.offers.rigs]
        self.bar.blind, self.bar.keeps = hearing.blind, hearing.keeps

    def _send(self, hearing: Hearing) -> None:
        """Send what has changed of the sound: responses, gains, and signals that the page has not got yet."""
        try:
            pair = self.sound.hear(hearing.rig, hearing.other)
        except InputError as error:
            self.bar.send({"failed": capitalized(str(error))})
            return
        self._pair = pair
        changed = [letter for letter, side in pair.sides.items() if self._sent.get(letter) is not side]
        wanted = {key for side in pair.sides.values() for key in side.keys}
        new = sorted(wanted & self.sound.signals.keys() - self._signals)
        self._show_own()
        sent = {letter: pair.sides[letter].sent for letter in changed}
        self.bar.send(
            {
                "sides": {
                    letter: {
                        "keys": keys,
                        "taps": rows.shape[-1],
                        "filled": pair.sides[letter].responses.shape[-1],
                        "words": pair.sides[letter].words,
                    }
                    for letter, (keys, rows) in sent.items()
                },
                "letters": list(pair.sides),
                "anew": not self._sent,
                "signals": new,
                "gains": [pair.gains_db(is_same=is_same) for is_same in (True, False)],
                "levels": [
                    {letter: pair.level_words(letter, is_same=is_same) for letter in pair.sides}
                    for is_same in (True, False)
                ],
            },
            buffers=[
                *(rows.tobytes() for _, rows in sent.values()),
                *(self.sound.signals[key].tobytes() for key in new),
            ],
        )
        self._sent = dict(pair.sides)
        self._signals |= wanted
        self._sentence.ask()

    def _start(self, take: object = "", live: object = None, **_: object) -> None:
        """A page begins to play: it may be another one that shows this widget, so it gets everything.

        With ``live``, what the guitar at the input is, that is what is heard.
        """
        self.is_playing = True
        self._forget_sent()
        plays_input = self.sound.recording is not None and self.sound.recording.is_live
        try:
            if live is not None:
                self.sound.play_input(self._rig_called(live), self._hearing().rig)
            elif take in self.bar.takes and (plays_input or self.sound.recording is None):
                self._set_take(str(take))
        except InputError as error:
            self.bar.send({"failed": capitalized(str(error))})
            return
        self.show()
        self._other_source()

    def _stop(self, **_: object) -> None:
        self.is_playing = False
        self._sentence.drop()

    def _take(self, name: object = "", **_: object) -> None:
        if name in self.bar.takes:
            self._set_take(str(name))
            self.show()
            self._other_source()

    def _set_take(self, name: str) -> None:
        if (name, None) != (self.sound.take, self.sound.recording):
            self.sound.play(name)
            self._forget_sent()
        self.bar.take = name
        self._show_own()

    def _recorded(self, file: GivenFile) -> None:
        samples = np.frombuffer(file.content[: len(file.content) // 4 * 4], dtype="<f4")
        self._recording, self._through_name = OwnRecording.of(file.name, samples.astype(float)), AS_IT_IS
        self._play_recording()

    def _play_recording(self, **_: object) -> None:
        if self._recording is not None:
            self.sound.play(recording=self._recording)
            self._forget_sent()
            self.show()
            self._show_own()
            self._other_source()

    def _through(self, name: object = "", **_: object) -> None:
        """Take another rig for the one that the recording was made through."""
        if self._recording is None or name not in self.bar.rigs:
            return
        self._through_name = str(name)
        self._recording = replace(self._recording, through=self._rig_called(name))
        self._play_recording()

    def _rig_called(self, name: object) -> Rig | None:
        """The rig that a person has named as theirs; None where nothing is known of it."""
        hearing = self._hearing()
        if name == AS_IT_IS or name not in self.bar.rigs:
            return None
        if name in (AS_NOW, AS_KEPT):
            return hearing.rig if name == AS_NOW else hearing.other
        return hearing.offers.base(str(name))

    def _show_own(self) -> None:
        """Say what the recording is and what it was made through, and where a conversion is true."""
        heard, sides = self.sound.recording, {} if self._pair is None else self._pair.sides
        words = " ".join(f"{letter}: {side.words}." for letter, side in sides.items() if side.words)
        if self._recording is not None:
            self.bar.recording = {
                "name": self._recording.name,
                "through": self._through_name,
                "words": words if heard is self._recording else "",
                "plays": heard is self._recording,
            }
        judged = f"Same loudness is judged by the take “{self.sound.take}”."
        self.bar.live = {"words": f"{words} {judged}"} if heard is not None and heard.is_live else {}

    def _forget_sent(self) -> None:
        self._sent.clear()
        self._signals.clear()
        self._pair = None

    def _save(self, letter: object = "A", same: object = True, **_: object) -> None:
        hearing = self._hearing()
        wanted: Letter = "B" if letter == "B" and hearing.kept else "A"
        try:
            content = self.sound.sound_file(hearing.rig, hearing.other, wanted, is_same=bool(same))
        except InputError as error:
            self.bar.send({"failed": capitalized(str(error))})
            return
        rig = hearing.other if wanted == "B" and hearing.other is not None else hearing.rig
        played = self.sound.take if self.sound.recording is None else self.sound.recording.name
        self.bar.send({"saved": f"{rig.name} {wanted} {played}"}, buffers=[content])

    def _say_level(self) -> None:
        hearing = self._hearing()
        if self._pair is not None and hearing.other is not None:
            self.bar.said = level_sentence(hearing.rig, hearing.other, self._pair)
        else:
            self.bar.said = ""
