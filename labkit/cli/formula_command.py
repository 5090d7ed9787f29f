"""``labkit formula`` and ``labkit netlist``: a rig's circuit as symbols, and as a SPICE deck."""

from __future__ import annotations

from typing import Any, Literal

import click

from labkit.circuit.elements import Circuit
from labkit.circuit.formula.formula import formula as formula_of
from labkit.circuit.formula.summary import summary
from labkit.circuit.formula.text import coefficients_text, formula_mapping, formula_python
from labkit.circuit.spice.deck import spice_deck
from labkit.cli.options import Output, result_options, rig_argument
from labkit.core.errors import InputError, join_words
from labkit.rig.rig import Rig

_SOURCE = click.option("--source", help="One pickup alone (its slot), or one coil (slot.coil).")


@click.command()
@result_options()
@rig_argument
@_SOURCE
@click.option("--full", is_flag=True, help="Print the whole H(s) with symbols, poles, zeros and sensitivities.")
@click.option("--latex", "as_latex", is_flag=True, help="Print the whole formula in LaTeX.")
@click.option("--coefficients", "as_coefficients", is_flag=True, help="Print the coefficients of the powers of s.")
@click.option(
    "--python",
    "as_python",
    is_flag=True,
    help="Print the whole formula as a Python module of one function; with --output FILE.py, write it.",
)
@click.option("--impedance", is_flag=True, help="The output impedance instead of the gain.")
@click.option(
    "--keep",
    multiple=True,
    metavar="PART",
    help="Keep this part a symbol and put numbers in place of the others; may be repeated.",
)
@click.option(
    "--method",
    type=click.Choice(["auto", "lcapy", "ring"]),
    default="auto",
    show_default=True,
    help="Symbolic route; auto takes lcapy up to about ten parts, checked against the other.",
)
def formula(
    rig: Rig,
    out: Output,
    source: str | None,
    full: bool,
    as_latex: bool,
    as_coefficients: bool,
    as_python: bool,
    impedance: bool,
    keep: tuple[str, ...],
    method: Literal["auto", "lcapy", "ring"],
) -> None:
    """Formulas of the rig SHEET at its settings: closed forms with their errors, what matters, or the whole H(s).

    SHEET is the path of a rig sheet or the name of a rig in the catalogue. Printed first are resonance, Q, height,
    level and treble's end by the usual closed forms, each beside the whole circuit, and the circuit cut down to the
    parts that matter to 0.1 dB. --full, --latex, --coefficients, --python, --impedance and --keep print the whole H(s):
    shorts and opens of the controls are exact, and parts without influence are left out. --keep takes a part, or the
    beginning of its name up to a dot.
    """
    forms = {
        "--json": out.as_json,
        "--full": full,
        "--latex": as_latex,
        "--coefficients": as_coefficients,
        "--python": as_python,
    }
    asked = [name for name, is_asked in forms.items() if is_asked]
    if len(asked) > 1:
        raise InputError(f"{join_words(asked)} exclude each other; give one of them")
    circuit = _circuit(rig, source)
    first = summary(circuit)
    if not asked and not impedance and not keep:
        out.write(text=lambda: f"{first.text()}Whole H(s): --full, --coefficients, --latex or --python.")
        return
    found = formula_of(circuit, list(keep) or None, method=method)
    shown = found.output_impedance if impedance else found

    def mapping() -> dict[str, Any]:
        data = formula_mapping(shown) | {"source": source if source is not None else "all"} | first.mapping()
        if not impedance:
            data["output_impedance"] = {
                key: value
                for key, value in formula_mapping(found.output_impedance).items()
                if key in ("numerator", "denominator", "gain_factor_ohm", "poles_rad_per_s", "zeros_rad_per_s")
            }
        return data

    def text() -> str:
        if as_latex:
            return shown.latex()
        if as_coefficients or as_python:
            return (coefficients_text if as_coefficients else formula_python)(shown).rstrip()
        return shown.text().rstrip()

    out.write(text=text, data=mapping)


@click.command()
@result_options()
@rig_argument
@_SOURCE
@click.option(
    "--subcircuit",
    is_flag=True,
    help="A .subckt with the output as its pin instead, for schematic editors that call SPICE models, and other decks.",
)
def netlist(rig: Rig, out: Output, source: str | None, subcircuit: bool) -> None:
    """SPICE deck of the rig SHEET at its settings, with an AC sweep of the last input.

    SHEET is the path of a rig sheet or the name of a rig in the catalogue.
    """
    circuit = _circuit(rig, source)
    deck = spice_deck(circuit, as_subcircuit=subcircuit)
    out.write(text=deck.rstrip, data=lambda: {"name": circuit.name, "spice": deck})


def _circuit(rig: Rig, source: str | None) -> Circuit:
    return rig.circuit if source is None else rig.circuit.with_values(rig.source_weights(source))
