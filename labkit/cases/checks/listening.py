"""Checks of what is heard and how it is judged: loudness, peaks, converted recordings, scores, shares of doubt."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from labkit.core.sheet import Table
from labkit.core.units import parse_quantity
from labkit.pickup.predict.propagation import COVERAGE, Doubtful, propagate
from labkit.rig.rig import Rig
from labkit.rig.sheet import read_rig, set_value
from labkit.sound.blind.abx import guess_probability, hit_rate_interval, passing_count
from labkit.sound.convert.conversion import convert_samples
from labkit.sound.loudness import integrated_loudness, true_peak_db
from labkit.sound.render.rig_sound import rig_difference
from labkit.study.tolerance.sensitivity import sobol_indices

_RATE = 48_000


def _sine(level_db: float, seconds: float, frequency_hz: float, rate: int) -> np.ndarray:
    time = np.arange(round(seconds * rate)) / rate
    wave: np.ndarray = 10 ** (level_db / 20) * np.sin(2 * np.pi * frequency_hz * time)
    return wave


def loudness_of_sines(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Integrated loudness, LUFS, of sines: ``channels`` holds for each channel its [peak level dBFS, seconds] …"""
    rate, frequency = inputs.get("rate_Hz", _RATE), inputs["f_Hz"]
    rows = [
        np.concatenate([_sine(level, seconds, frequency, rate) for level, seconds in channel])
        for channel in inputs["channels"]
    ]
    return {"loudness": integrated_loudness(np.stack(rows), rate)}


def true_peak_of_a_sine(inputs: Mapping[str, Any]) -> dict[str, float]:
    """True peak, dBTP, of a sine at a whole part of the sampling rate, begun at a phase."""
    count = np.arange(4800)
    wave = inputs["amplitude"] * np.sin(2 * np.pi * count / inputs["rate_over_f"] + math.radians(inputs["phase_deg"]))
    return {"true_peak": true_peak_db(wave)}


def guessing(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Probability of guessing as well, "12 of 16"; counts needed at 5 %, "needed of 16"; exact 95 % bounds, %."""
    results: dict[str, float] = {}
    for correct, trials in inputs.get("scores", ()):
        results[f"{correct} of {trials}"] = guess_probability(correct, trials)
        low, high = hit_rate_interval(correct, trials)
        results |= {f"{correct} of {trials} low": 100 * low, f"{correct} of {trials} high": 100 * high}
    for trials in inputs.get("trials", ()):
        results[f"needed of {trials}"] = float(passing_count(trials) or math.nan)
    return results


def converted_tones(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Change of level, dB, of tones recorded through a rig (as ``before`` sets it) and converted to ``changes``."""
    before = _changed(read_rig(Table(inputs["rig"], "reference case", "inputs.rig")), inputs.get("before", ()))
    after = _changed(before, inputs["changes"])
    difference = rig_difference(before, after)
    results = {}
    for text in inputs["at"]:
        tone = _sine(-20.0, 1.0, parse_quantity(text, "Hz"), _RATE)
        middle = slice(_RATE // 4, 3 * _RATE // 4)  # away from the ends, where the tone starts and stops
        got = convert_samples(tone, _RATE, difference)[middle]
        results[f"change {text}"] = float(10 * np.log10(np.mean(got**2) / np.mean(tone[middle] ** 2)))
    return results


def _changed(rig: Rig, changes: Sequence[str]) -> Rig:
    for change in changes:
        name, _, value = change.partition("=")
        rig = set_value(rig, name, value)
    return rig


def sum_of_doubts(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Combined standard deviation of a sum of contributions, and the share of the largest."""
    parts = {f"part {index}": Doubtful(value=0.0, deviation=part) for index, part in enumerate(inputs["contributions"])}
    result = propagate(lambda x: {"sum": sum(x.values())}, parts, log=False)["sum"]
    return {"combined": (result.high - result.low) / 2 / COVERAGE, "largest_share": result.contributions[0].share}


def ishigami(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Shares of variance of sin x1 + a·sin² x2 + b·x3⁴·sin x1, x uniform on ±π."""

    def evaluate(draws: np.ndarray) -> np.ndarray:
        x = np.pi * (2 * draws - 1)
        value: np.ndarray = (
            np.sin(x[:, 0]) + inputs["a"] * np.sin(x[:, 1]) ** 2 + inputs["b"] * x[:, 2] ** 4 * np.sin(x[:, 0])
        )
        return value

    found = sobol_indices(evaluate, ["x1", "x2", "x3"], base=4096)
    return {f"first_{index.name}": index.first for index in found} | {
        f"total_{index.name}": index.total for index in found
    }
