"""What stands between the plates of capacitors: dielectrics of the catalogue and their losses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

from labkit.catalogue import catalogue
from labkit.core.sheet import Table
from labkit.core.sourced import Kind, SourcedValue
from labkit.core.validity import range_called

LOSS_TANGENT = range_called("loss_tangent")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dielectric:
    """What stands between the plates of a capacitor; its loss tangent at 1 kHz is used at every frequency.

    For film types the printed loss rises two to four times from 1 kHz to 100 kHz, which is not modelled.
    """

    name: str
    loss_tangent: SourcedValue


def read_dielectric(table: Table) -> Dielectric:
    """Read a ``dielectric`` sheet or entry."""
    table.allow("sheet", "format", "summary", "note")
    name = table.text("name")
    tangent = table.quantity("loss_tangent", "1", low=LOSS_TANGENT.low, high=LOSS_TANGENT.high)
    spread = table.quantity("spread", "1", None, low=0.0)
    kind = table.choice("kind", get_args(Kind))
    source, doubt = table.text("source"), table.text("doubt", "")
    table.done()
    value = SourcedValue(value=tangent, unit="1", spread=spread, kind=kind, source=source, doubt=doubt)  # type: ignore[arg-type]
    return Dielectric(name=name, loss_tangent=value)


def loss_of(table: Table, name: str | None) -> float:
    """Return the loss tangent of a dielectric of the catalogue; 0 where none is named."""
    if name is None:
        return 0.0
    dielectric: Dielectric = table.attempt("dielectric", lambda: catalogue().load("dielectric", name))
    return dielectric.loss_tangent.value
