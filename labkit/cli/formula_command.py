"""``labkit formula`` and ``labkit netlist``: a rig's circuit as symbols, and as a SPICE deck."""

from __future__ import annotations

from typing import Any, Literal

import click

from labkit.circuit.elements import Circuit
from labkit.circuit.formula.formula import formula as formula_of
from labkit.circuit.formula.text import formula_mapping
from labkit.circuit.spice.deck import spice_deck
from labkit.cli.options import Output, result_options, rig_argument
from labkit.core.errors import InputError
from labkit.rig.rig import Rig

_SOURCE = click.option("--source", help="One pickup alone (its slot), or one coil (slot.coil).")


@click.command()
@result_options()
@rig_argument
@_SOURCE
@click.option("--latex", "as_latex", is_flag=True, help="Print the formula in LaTeX.")
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
    as_latex: bool,
    impedance: bool,
    keep: tuple[str, ...],
    method: Literal["auto", "lcapy", "ring"],
) -> None:
    """H(s) of the rig SHEET at its settings, with poles, zeros, resonance, Q and sensitivities.

    SHEET is the path of a rig sheet or the name of a rig in the catalogue. Shorts and opens of the controls are
    exact, and parts without influence are left out. --keep takes a part, or the beginning of its name up to a dot.
    """
    if out.as_json and as_latex:
        raise InputError("--json and --latex exclude each other; give one of them")
    found = formula_of(_circuit(rig, source), list(keep) or None, method=method)
    shown = found.output_impedance if impedance else found

    def mapping() -> dict[str, Any]:
        data = formula_mapping(shown) | {"source": source if source is not None else "all"}
        if not impedance:
            data["output_impedance"] = {
                key: value
                for key, value in formula_mapping(found.output_impedance).items()
                if key in ("numerator", "denominator", "gain_factor_ohm", "poles_rad_per_s", "zeros_rad_per_s")
            }
        return data

    out.write(text=lambda: shown.latex() if as_latex else shown.text().rstrip(), data=mapping)


@click.command()
@result_options()
@rig_argument
@_SOURCE
def netlist(rig: Rig, out: Output, source: str | None) -> None:
    """SPICE deck of the rig SHEET at its settings, with an AC sweep of the last input.

    SHEET is the path of a rig sheet or the name of a rig in the catalogue.
    """
    circuit = _circuit(rig, source)
    deck = spice_deck(circuit)
    out.write(text=deck.rstrip, data=lambda: {"name": circuit.name, "spice": deck})


def _circuit(rig: Rig, source: str | None) -> Circuit:
    return rig.circuit if source is None else rig.circuit.with_values(rig.source_weights(source))
