"""Recording with a sound interface on the measure page: the takes without widgets, and the widget that records them.

The browser plays the excitation, records two channels without processing and sends them as WAV; files that any other
recorder wrote come the same way. What is wrong with a take is said beside its step, and the step can be done again.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import traitlets

from labkit.app.kit.files import GivenFile, Intake, Upload
from labkit.app.kit.widgets import web_text
from labkit.bench.fit.fixture import Measurement
from labkit.bench.recording.excitation import HIGHEST_RATE, LENGTH_S, LOWEST_RATE, excitation
from labkit.bench.recording.interface import (
    InterfaceCalibration,
    Role,
    SeriesResistor,
    bracket,
    calibrate,
    divider_measurement,
    parse_interface,
    renewed,
)
from labkit.bench.recording.recording import is_recording, read_recording
from labkit.bench.recording.take import TakeReading, read_take, words_of
from labkit.core.errors import InputError, LabkitError, capitalized
from labkit.core.units import format_quantity

Thing = TypeVar("Thing")

LARGEST_TAKE = 40_000_000
"""Bytes; eleven seconds of two channels at 192 kHz in 32 bit are 17 MB."""

ADVICE = "Cut it to one take of eleven seconds, two channels, WAV or FLAC."

ROLES: tuple[Role, ...] = ("source", "open", "shorted", "pickup", "open again", "again")

STEPS: dict[Role, tuple[str, str]] = {
    "source": ("Both on the source", "Clip channel 2 to the source node as well: how the two channels compare."),
    "open": ("Pickup off", "Channel 2 back behind the resistor, no pickup: what the input itself draws."),
    "shorted": ("Clips shorted", "Clip the two pickup clips together: what leaks from channel to channel."),
    "pickup": ("Pickup", "Clip the pickup on, away from transformers and steel. Hold it by the cover, or not at all."),
    "open again": (
        "Pickup off, once more",
        "Open the pickup's clip and touch nothing else: how the lead lay. Without it the capacitance is held looser.",
    ),
    "again": ("Both on the source, again", "As in the first take: whether a gain moved meanwhile."),
}

CALIBRATION_STEPS: tuple[Role, ...] = ("source", "open", "shorted")


class RecordingBench:
    """The takes of one session."""

    def __init__(self) -> None:
        self.takes: dict[Role, TakeReading] = {}
        self.refused: dict[Role, str] = {}
        self.kept: InterfaceCalibration | None = None

    def take(self, role: Role, given: GivenFile) -> None:
        """Take a recording in place of the one that a step had; what is wrong with it stays with the step."""
        self.takes.pop(role, None)
        self.refused.pop(role, None)
        try:
            self.takes[role] = read_given(given, lambda path: read_take(read_recording(path)))
        except InputError as error:
            self.refused[role] = str(error)

    def keep(self, given: GivenFile) -> None:
        """Take a kept calibration in place of its three takes; InputError where it is none."""
        self.kept = read_calibration(given)
        for role in CALIBRATION_STEPS:
            self.takes.pop(role, None)
            self.refused.pop(role, None)

    def calibration(self, series: SeriesResistor) -> InterfaceCalibration | None:
        """Return the kept calibration or that of the takes, None before there is one.

        Raises
        ------
        InputError
            Where the takes contradict the wiring.
        """
        if self.kept is not None:
            return self.kept
        if any(role not in self.takes for role in CALIBRATION_STEPS):
            return None
        return calibrate(self.takes, name="these takes", series=series)

    def measurement(self, series: SeriesResistor) -> Measurement | None:
        """Return the pickup's curve, None before there is one; InputError where the takes do not go together."""
        calibration = self.calibration(series)
        if calibration is None or "pickup" not in self.takes:
            return None
        shift = bracket(calibration, self.takes["again"]) if "again" in self.takes else None
        return divider_measurement(renewed(calibration, self.takes), self.takes["pickup"], shift_db=shift)

    def next_role(self) -> Role | None:
        """Return the first step that is still to be done."""
        for role in ROLES:
            if self.kept is not None and role in CALIBRATION_STEPS:
                continue
            if role not in self.takes:
                return role
        return None

    def view(self, series: SeriesResistor) -> dict[str, Any]:
        """Return what the page shows of the takes."""
        problem, kept = "", ""
        try:
            calibration = self.calibration(series)
            if calibration is not None:
                kept = calibration_words(calibration)
            self.measurement(series)
        except InputError as error:
            problem = f"{capitalized(str(error))}."
        following = self.next_role()
        steps = []
        for role in ROLES:
            title, words = STEPS[role]
            is_kept = self.kept is not None and role in CALIBRATION_STEPS
            reading = self.takes.get(role)
            steps.append(
                {
                    "key": role,
                    "title": title,
                    "words": words,
                    "is_done": reading is not None or is_kept,
                    "is_next": role == following,
                    "said": words_of(reading) if reading else "from the kept calibration" if is_kept else "",
                    "refused": self.refused.get(role, ""),
                    "level": reading.peak_db if reading else None,
                }
            )
        return {
            "steps": steps,
            "problem": problem,
            "calibration": kept,
            "seconds": LENGTH_S["sweeps"],
            "plays": True,
            "caution": "the sweep rises to 20 kHz. Take headphones off and disconnect loudspeakers before you record; "
            "phantom power and direct monitoring off.",
            "promise": "Headphones and loudspeakers are disconnected",
        }


def read_given(given: GivenFile, read: Callable[[Path], Thing]) -> Thing:
    """Return what ``read(path)`` makes of a sound file that came with the page; InputError names the file alone."""
    name = re.sub(r"[^\w.,() -]", "_", given.name).lstrip(".") or "take"
    with tempfile.TemporaryDirectory() as folder:  # readers of sound files take paths
        path = Path(folder) / name
        if not is_recording(path):
            raise InputError(f"{name}: a WAV or FLAC file is due here")
        path.write_bytes(given.content)
        try:
            return read(path)
        except LabkitError as error:
            raise InputError(str(error).replace(f"{folder}/", "")) from None


def read_calibration(given: GivenFile) -> InterfaceCalibration:
    """Return a kept calibration; InputError where the file is none."""
    try:
        text = given.content.decode("utf-8")
    except UnicodeDecodeError:
        raise InputError(f"{given.name}: is no calibration; the file of 'Keep the calibration' is due") from None
    return parse_interface(text, given.name)


def calibration_words(calibration: InterfaceCalibration) -> str:
    """Say what a calibration is called, how old it is, and what the input is like."""
    return (
        f"{calibration.name}, {_age(calibration)}: input "
        f"{format_quantity(calibration.input_resistance, 'Ω', digits=3)} and "
        f"{format_quantity(calibration.input_capacitance, 'F', digits=3)}, crosstalk "
        f"{calibration.crosstalk_db:.0f} dB"
    )


def _age(calibration: InterfaceCalibration) -> str:
    days = calibration.age_days()
    return "made today" if days <= 0 else f"{days} day{'s' if days > 1 else ''} old"


class Recorder(Upload):
    """Steps of a measurement, each recorded in the browser or chosen as a file.

    ``on_take(handler)`` gets the step and the `GivenFile`; an `InputError` it raises is said beside the step.
    """

    _esm = web_text("kept_files.js", "recorder.js")
    _css = web_text("tokens.css", "widgets.css", "recorder.css")
    view = traitlets.Dict().tag(sync=True)

    def __init__(self, **traits: Any) -> None:
        super().__init__(Intake(largest=LARGEST_TAKE, what="a take", advice=ADVICE), **traits)
        self._step = ""
        self.on("sound", self._send_sound)

    def on_take(self, handler: Callable[[str, GivenFile], None]) -> None:
        """Call ``handler(step, file)`` for each take; the step of a kept calibration is ``calibration``."""
        self.on_file(lambda given: handler(self._step, given))

    def _answer(self, content: dict[Any, Any], buffers: object) -> dict[str, object]:
        if content["do"] == "file-begin":
            self._step = str(content.get("step", ""))
        return super()._answer(content, buffers)

    def _send_sound(self, rate: object = 0, **_: object) -> None:
        """Send what is to be played at the rate of the browser's sound."""
        if not isinstance(rate, int) or not LOWEST_RATE <= rate <= HIGHEST_RATE:
            self.send({"no_sound": f"The sound runs at {rate} Hz; {LOWEST_RATE} to {HIGHEST_RATE} Hz are due."})
            return
        self.send({"sound": rate}, buffers=[excitation("sweeps", rate).astype(np.float32).tobytes()])
