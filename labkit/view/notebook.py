"""What a notebook shows of a result when a cell ends with it: a curve or a drawing, and numbers with their bounds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import singledispatch
from html import escape

from labkit.bench.fit.fit import Fit
from labkit.core.errors import InputError, capitalized
from labkit.core.response import Response
from labkit.core.units import format_quantity
from labkit.pickup.electrical import Pickup
from labkit.pickup.network import LOAD_CAPACITANCE, LOAD_RESISTANCE, loaded_response
from labkit.rig.rig import Rig
from labkit.view.curve.curve import Curve, draw_curves, level_window
from labkit.view.palette import NOW, PINS
from labkit.view.schematic import draw, to_svg
from labkit.view.schematic.from_rig import drawing_of
from labkit.view.words import ZERO, key_numbers, read_response, sentence

_WIDTH = 640


@singledispatch
def notebook_html(thing: object) -> str:
    """Return HTML of a response, a rig, a pickup or a fit, as a notebook shows it; of anything else, its ``repr``.

    The curve is SVG with a text alternative, safe to place in a page of one's own.

    >>> notebook_html("a < b")
    "<pre>'a &lt; b'</pre>"
    """
    return f"<pre>{escape(repr(thing))}</pre>"


@notebook_html.register
def _response(response: Response) -> str:
    if response.values.ndim > 1:
        return f"<pre>{escape(repr(response))}</pre>"
    numbers = sentence(key_numbers(read_response(response)))
    zero = "Zero is where both are equal." if response.unit == "1" else ZERO
    return _shown([_curve(response)], response.name, f"{numbers}. {zero}")


@notebook_html.register
def _rig(rig: Rig) -> str:
    response = rig.response()
    curve = _shown([_curve(response)], rig.name, f"{sentence(key_numbers(read_response(response)))}. {ZERO}")
    warnings = "".join(f"<p>Warning: {escape(words)}</p>" for words in rig.warnings)
    try:
        circuit = to_svg(draw(drawing_of(rig)))
    except InputError as error:  # no real switch makes its joins
        circuit = f"<p>{escape(capitalized(str(error)))}.</p>"
    return f"{curve}{warnings}{circuit}"


@notebook_html.register
def _pickup(pickup: Pickup) -> str:
    loaded = loaded_response(pickup, resistance=LOAD_RESISTANCE, capacitance=LOAD_CAPACITANCE)
    load = f"{format_quantity(LOAD_CAPACITANCE, 'F')}, {format_quantity(LOAD_RESISTANCE, 'Ω')}"
    bare = loaded_response(pickup)
    curves = [
        Curve(frequency_hz=loaded.frequency_hz, gain_db=loaded.gain_db, label=load, style=NOW),
        Curve(frequency_hz=bare.frequency_hz, gain_db=bare.gain_db, label="bare", style=PINS[0]),
    ]
    words = f"Into {load}: {sentence(key_numbers(read_response(loaded)))}. 0 dB is the EMF of the coils."
    rows = [
        (
            name,
            *(_short(value, unit) for value, unit in zip((coil.resistance, coil.inductance, coil.capacitance), "ΩHF")),
        )
        for name, coil in pickup.coils.items()
    ]
    table = _table(("coil", "resistance", "inductance", "capacitance"), rows)
    return _shown(curves, pickup.name, words) + table + _sentences(pickup.warnings)


@notebook_html.register
def _fit(fit: Fit) -> str:
    rows = [
        (name, *(_short(value, "" if unit == "1" else unit) for value in (found.value, found.low, found.high)))
        for name, found, unit in fit.quantities
    ]
    table = _table(("quantity", "value", "lowest (95 %)", "highest (95 %)"), rows)
    words = f"{fit.residual_db:.2f} dB rms is left over."
    predicted = fit.prediction
    if predicted is None:
        return f"<p>{escape(fit.name)}: {words}</p>{table}{_sentences(fit.warnings)}"
    curve = Curve(
        frequency_hz=predicted.frequency_hz,
        gain_db=predicted.level_db,
        low_db=predicted.low_db,
        high_db=predicted.high_db,
        label="",
    )
    return _shown([curve], fit.name, f"{predicted.sentence} {words}") + table + _sentences(fit.warnings)


def _curve(response: Response) -> Curve:
    return Curve(frequency_hz=response.frequency_hz, gain_db=response.shown_gain_db, label="")


def _shown(curves: Sequence[Curve], name: str, words: str) -> str:
    """A heading, the curves, and what they say."""
    drawn = draw_curves(curves, title=name or "Response", description=words, width=_WIDTH, levels=level_window(curves))
    return f"<p><strong>{escape(name)}</strong></p>{drawn}<p>{escape(words)}</p>"


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    first = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    rest = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><thead><tr>{first}</tr></thead><tbody>{rest}</tbody></table>"


def _sentences(words: Iterable[str]) -> str:
    return "".join(f"<p>{escape(each)}</p>" for each in words)


def _short(value: float, unit: str) -> str:
    return format_quantity(float(f"{value:.3g}"), unit) if unit else f"{value:.3g}"
