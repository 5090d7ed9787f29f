"""Generates the page of what strings put out over one worked pickup: heights, charge, grades, each with its interval.

python -m docs.tools.output_page
"""

from __future__ import annotations

import math
from pathlib import Path

from docs.tools.tables import table
from labkit.pickup.predict.built import BuiltPickup, load_built
from labkit.pickup.predict.output import NOT_MEASURED, string_outputs
from labkit.pickup.predict.propagation import Prediction, difference, ratio
from labkit.pickup.predict.pull import NECK_PART, NO_LISTENING_DATA, pull_on_strings
from labkit.pickup.string.vibration import note_frequency

PAGE = Path(__file__).resolve().parents[1] / "reference" / "output.md"

_PICKUP = "narrow single coil, built"
_HEIGHTS = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
_SCALE = 25.5 * 25.4e-3

_HEAD = f"""# Output of strings

Written by `python -m docs.tools.output_page` from the model in [output](../explanation/output.md). What stands here is
{NOT_MEASURED}.

Bounds hold 95 of 100 cases over the steel of the strings, the field, the turns and ± 0.2 mm of height.

The pickup is the catalogue's *{_PICKUP}*: 8000 turns of AWG 42 around six full alnico 5 rods of 4.8 mm × 17 mm. The
strings are the set *six strings 10-46*, each over its own rod, the outer ones over the end rods."""


def generate() -> str:
    """Return the page."""
    parts = [_HEAD, "## Voltage per velocity", _sensitivity(), "## Against 3 mm", _heights(), "## Half the charge"]
    parts += [
        "Both at the same height: what is shared cancels.",
        _half_charge(),
        "## Other magnets in the same coil",
        "Mean of the strings' levels over alnico 5. An interval that holds zero settles nothing.",
        _grades(),
        "## Pull and detuning",
        f"Under a neck pickup at a quarter of the scale; {NO_LISTENING_DATA}.",
        _pull(),
    ]
    return "\n\n".join(parts) + "\n"


def _at(millimetres: float) -> BuiltPickup:
    return load_built(_PICKUP, {"string_distance": f"{millimetres:g} mm"})


def _interval(value: Prediction, scale: float = 1.0, digits: int = 0) -> str:
    return f"{scale * value.value:.{digits}f} ({scale * value.low:.{digits}f} … {scale * value.high:.{digits}f})"


def _decibels(value: Prediction) -> str:
    found = [20 * math.log10(end) for end in (value.value, value.low, value.high)]
    return _signed(*found)


def _signed(value: float, low: float, high: float) -> str:
    return f"{value:+.1f} ({low:+.1f} … {high:+.1f})".replace("-", "−")


def _names() -> list[str]:
    return [output.string.partition(",")[0] for output in string_outputs(_at(3.0).build)]


def _sensitivity() -> str:
    rows = []
    for height in _HEIGHTS:
        outputs = string_outputs(_at(height).build)
        rows.append([f"{height:g} mm", *(_interval(output.sensitivity, 1e3) for output in outputs)])
    return table(["height", *(f"{name}, mV per m/s" for name in _names())], rows)


def _heights() -> str:
    reference = string_outputs(_at(3.0).build)
    rows = []
    for height in (1.0, 2.0, 4.0, 6.0):
        outputs = string_outputs(_at(height).build)
        cells = [_decibels(ratio(one.sensitivity, other.sensitivity)) for one, other in zip(outputs, reference)]
        rows.append([f"{height:g} mm", *cells])
    return table(["height", *(f"{name}, dB" for name in _names())], rows)


def _half_charge() -> str:
    rows = []
    for height in (2.0, 3.0, 4.0):
        full = string_outputs(_at(height).build)
        half = string_outputs(_at(height).with_charge(0.5).build)
        cells = [_decibels(ratio(one.sensitivity, other.sensitivity)) for one, other in zip(half, full)]
        rows.append([f"{height:g} mm", *cells])
    return table(["height", *(f"{name}, dB" for name in _names())], rows)


def _grades() -> str:
    rows = []
    for grade in ("Alnico 2", "Alnico 3", "Alnico 4", "Alnico 8"):
        cells = []
        for height in (2.0, 3.0, 4.0):
            built = _at(height)
            old, new = built.pickup.output, built.with_magnet(grade).pickup.output
            assert old is not None
            assert new is not None
            change = difference(new, old)
            cells.append(_signed(change.value, change.low, change.high))
        rows.append([grade, *cells])
    return table(["magnet", "2 mm, dB", "3 mm, dB", "4 mm, dB"], rows)


def _pull() -> str:
    rows = []
    for height in (1.5, 2.0, 3.0, 4.0):
        build = _at(height).build
        outputs = string_outputs(build)
        pulls = pull_on_strings([(build, NECK_PART * _SCALE)])
        for at in (0, 5):
            rows.append(
                [
                    f"{height:g} mm",
                    f"{pulls[at].string}, {note_frequency(pulls[at].string):.0f} Hz",
                    _interval(outputs[at].pull, 1e3, 1),
                    f"{pulls[at].cents:.0f}".replace("-", "−"),
                    f"{pulls[at].third_cents:.1f}".replace("-", "−"),
                    f"{pulls[at].splitting_hz:.1f}",
                    _interval(outputs[at].window, 1e3, 1),
                ]
            )
    head = ["height", "string", "pull, mN", "partial 1, cents", "partial 3, cents", "splitting, Hz", "window, mm"]
    return table(head, rows)


if __name__ == "__main__":
    PAGE.write_text(generate(), encoding="utf-8")
