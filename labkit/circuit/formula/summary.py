"""What a person reads of a circuit first: closed forms with their errors, and the circuit cut down to what matters.

The whole H(s) is in `labkit.circuit.formula.formula`.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import Any

from labkit.circuit.elements import (
    Circuit,
)
from labkit.circuit.formula.closed_forms import (
    NO_LOAD_OHM,
    ClosedForm,
    CoilAndLoad,
    closed_forms,
    coil_and_load,
    in_short,
)
from labkit.circuit.formula.cut_down import WITHIN_DB, CutDown, cut_down
from labkit.circuit.solve.solver import circuit_response

WIDTH = 104
"""Columns of plain text."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What is read first of a circuit; made by `summary`.

    Attributes
    ----------
    name : str
    coil : CoilAndLoad or None
    forms : tuple of ClosedForm
    reason : str
        Why there are no closed forms, where there are none.
    cut_down : CutDown or None
        None for a silent circuit.
    """

    name: str
    coil: CoilAndLoad | None
    forms: tuple[ClosedForm, ...]
    reason: str
    cut_down: CutDown | None

    def text(self) -> str:
        """Return it as plain text."""
        return summary_text(self)

    def mapping(self) -> dict[str, Any]:
        """Return it as plain values for JSON, SI with the unit in the key."""
        coil, cut = self.coil, self.cut_down
        return {
            "coil_and_load": None
            if coil is None
            else {
                "inductance_h": coil.inductance,
                "series_resistance_ohm": coil.series_resistance,
                "capacitance_f": coil.capacitance,
                "load_resistance_ohm": min(coil.load_resistance, NO_LOAD_OHM),
                "direct_load_ohm": min(coil.direct_load, NO_LOAD_OHM),
                "emf_v_per_v": coil.emf,
                "node": coil.node,
            },
            "closed_forms": [
                {
                    "quantity": form.quantity,
                    "expression": form.expression,
                    "value": form.value,
                    "exact": form.exact,
                    "error": form.error,
                    "unit": form.unit,
                }
                for form in self.forms
            ],
            "no_closed_form": self.reason or None,
            "cut_down": None
            if cut is None
            else {
                "within_db": WITHIN_DB,
                "worst_db": cut.worst_db,
                "worst_hz": cut.worst_hz,
                "dropped": list(cut.dropped),
                "formula": list(cut.lines),
            },
        }


def summary(circuit: Circuit) -> Summary:
    """Return the closed forms of a circuit with their errors, and the circuit cut down to the parts that matter.

    Parameters
    ----------
    circuit : Circuit
        At its present settings; every EMF with its weight.

    Returns
    -------
    Summary

    Notes
    -----
    The closed forms hold for one coil under one load; what they leave out (eddy currents, a tone branch that is neither
    open nor short, a second coil's own resonance) is what their errors show. They are the second-order low-pass
    D(s) = (R_s + sL)(1/R_p + sC) + 1 with R_s/R_p left out beside 1, worked out here.

    >>> from labkit.circuit.elements import Source
    >>> coil = Circuit(output="out", elements=(
    ...     Source(name="emf", nodes=("a", GROUND)),
    ...     Resistor(name="coil.resistance", nodes=("a", "b"), resistance=6e3),
    ...     Inductor(name="coil.inductance", nodes=("b", "out"), inductance=2.4),
    ...     Capacitor(name="cable", nodes=("out", GROUND), capacitance=700e-12),
    ...     Resistor(name="load", nodes=("out", GROUND), resistance=2e5)))
    >>> [f"{form.quantity} {form.words[0]}" for form in summary(coil).forms][:2]
    ['resonance 3.88 kHz', 'Q 2.52']
    """
    curve = circuit_response(circuit)
    if curve.is_silent:
        return Summary(name=circuit.name, coil=None, forms=(), reason="the output is silent", cut_down=None)
    coil = coil_and_load(circuit)
    forms = () if coil is None else closed_forms(circuit, coil)
    reason = "" if coil else "no coil in series with the output under a load of one capacitance"
    return Summary(name=circuit.name, coil=coil, forms=forms, reason=reason, cut_down=cut_down(circuit))


def summary_text(found: Summary) -> str:
    """Return a summary as plain text, some ten lines."""
    lines = [f"{found.name}: output voltage over EMF, closed forms and their errors"]
    coil, cut = found.coil, found.cut_down
    if coil is None:
        lines.append(f"No closed form holds here: {found.reason}.")
    else:
        where = "" if coil.is_output else f"; at {coil.node}"
        loads = f"R_p {_ohms(coil.load_resistance)} at f0, R_dc {_ohms(coil.direct_load)}"
        lines.append(
            f"L {in_short(coil.inductance, 'H')} and R_s {in_short(coil.series_resistance, 'Ω')} in series; load "
            f"C {in_short(coil.capacitance, 'F')}, {loads}{where}"
        )
        rows = [(form.quantity, form.expression, *form.words) for form in found.forms]
        wide = [max(len(row[column]) for row in rows) for column in range(5)]
        for quantity, expression, value, exact, error in rows:
            lines.append(
                f"  {quantity:<{wide[0]}}  {expression:<{wide[1]}}  = {value:>{wide[2]}}, the circuit "
                f"{exact:>{wide[3]}}" + (f": {error:>{wide[4]}}" if error else "")
            )
    if cut is not None:
        lines += _wrapped(f"To {WITHIN_DB:g} dB, 20 Hz to 20 kHz ({cut.worst_db:.2f} dB at most): {cut.lines[0]}")
        for line in cut.lines[1:]:
            lines += _wrapped(line, "  ")
        if cut.dropped:
            lines += _wrapped(f"Left out for that: {_counted(cut.dropped)}", "  ")
    return "\n".join(line.rstrip() for line in lines) + "\n"


_MOST_LISTED = 12
"""Parts that were left out which the text names; JSON names all."""


def _counted(parts: tuple[str, ...]) -> str:
    shown = ", ".join(parts[:_MOST_LISTED])
    more = len(parts) - _MOST_LISTED
    return f"{shown} and {more} more" if more > 0 else shown


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text.strip(),
        WIDTH,
        initial_indent=indent,
        subsequent_indent=f"{indent}  ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def _ohms(value: float) -> str:
    return in_short(value, "Ω") if value < NO_LOAD_OHM else "none"
