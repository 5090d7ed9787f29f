"""Generates the page of the catalogue's builds with what is predicted of each.

python -m docs.tools.builds_page
"""

from __future__ import annotations

from pathlib import Path

from docs.tools.tables import table
from labkit.catalogue import catalogue
from labkit.core.sheet import Table
from labkit.core.units import format_quantity
from labkit.pickup.predict.built import BuiltPickup, load_built
from labkit.pickup.predict.output import NOT_MEASURED, string_outputs
from labkit.pickup.predict.propagation import Prediction
from labkit.pickup.predict.sheet import is_build_sheet

PAGE = Path(__file__).resolve().parents[1] / "reference" / "builds.md"

HEAD = """# Builds of the catalogue

Generated from the catalogue by `python -m docs.tools.builds_page`. Each build is a sheet to start from
(`labkit pickup NAME`, or the page *Winding*); every number is predicted, with the bounds that hold 95 of 100 such
pickups. The field is that 1 mm over the faces of the first coil's poles, output counts from the reference coil of
[output](../explanation/output.md). What each prediction leaves out stands in its warnings and in
[magnets](../explanation/magnets.md).
"""

HEADS = ("build", "what it is", "R", "L", "C", "peak into the load", "field", "output", "hum of its coils")

STRING_HEADS = (
    "build",
    "strings",
    "voltage per velocity, mV/(m/s)",
    "95 % bounds of the outer strings",
    "pull of the magnets, mN",
)
BY_STRING = f"""## String by string

The usual set for so many strings at the build's own string height, thinnest first; over a row of several heights that
is the height over its highest pole. Basis: {NOT_MEASURED}.
"""


def built_names() -> list[str]:
    """Return the pickups of the catalogue that are described by their build."""
    found = catalogue()
    return [name for name in found.names("pickup") if is_build_sheet(Table(found.item("pickup", name).data, name))]


def generate() -> str:
    """Return the text of the page."""
    rows = []
    for name in built_names():
        summary = str(catalogue().item("pickup", name).data.get("summary", ""))
        rows.append(
            (name, summary.removesuffix(" Invented for the winding room at Saltmarsh Lane."), *values(load_built(name)))
        )
    by_string = [row for name in built_names() for row in string_rows(load_built(name))]
    return f"{HEAD}\n{table(HEADS, rows)}\n\n{BY_STRING}\n{table(STRING_HEADS, by_string)}\n"


def string_rows(built: BuiltPickup) -> list[tuple[str, ...]]:
    """Return what a build puts out string by string."""
    found = string_outputs(built.build)
    if not found:
        return [(built.name, "not known", "–", "–", "–")]
    strings = ", ".join(output.string.partition(",")[0] for output in found)
    each = ", ".join(f"{1e3 * output.sensitivity.value:.0f}" for output in found)
    ends = " and ".join(
        f"{1e3 * output.sensitivity.low:.0f} … {1e3 * output.sensitivity.high:.0f}" for output in (found[0], found[-1])
    )
    pull = ", ".join(f"{1e3 * output.pull.value:.1f}" for output in found)
    return [(built.name, strings, each, ends, pull)]


def values(built: BuiltPickup) -> tuple[str, ...]:
    """Return the predicted numbers of a build, each with its bounds."""
    total, hum = built.total, built.hum_ratio
    at_1_mm = dict(zip(built.field_at, built.field_t)).get(1e-3)
    return (
        _shown(total.resistance, "Ω"),
        _shown(total.inductance, "H"),
        _shown(total.capacitance, "F", 2),
        _shown(built.loaded_resonance, "Hz"),
        _shown(at_1_mm, "T", 2),
        _decibels(built.output_db),
        "–" if hum is None else f"{100 * hum.value:.0f} % ({100 * hum.low:.0f} … {100 * hum.high:.0f})",
    )


def _shown(value: Prediction | None, unit: str, digits: int = 3) -> str:
    if value is None:
        return "–"
    best, low, high = (
        format_quantity(float(f"{end:.{digits}g}"), unit, digits=digits) for end in (value.value, value.low, value.high)
    )
    return f"{best} ({low} … {high})"


def _decibels(value: Prediction | None) -> str:
    return "–" if value is None else f"{value.value:+.1f} dB ({value.low:+.1f} … {value.high:+.1f})"


def main() -> None:
    """Write the page."""
    PAGE.write_text(generate(), encoding="utf-8")


if __name__ == "__main__":
    main()
