"""Generates the gallery of wirings: a page, a drawing and a curve for every built-in harness.

    python -m docs.tools.wirings

Everything comes from the sheets and the models; nothing in the output is written by hand.
"""

from __future__ import annotations

import re
from pathlib import Path

from docs.tools.tables import table
from labkit.catalogue import catalogue
from labkit.rig.harness import Harness
from labkit.rig.hum import POSITION_HEAD, position_table
from labkit.rig.rewiring import demo_rig
from labkit.rig.rig import Rig
from labkit.view.curve.curve import Curve, draw_curves
from labkit.view.palette import NOW, PINS
from labkit.view.schematic import draw, to_svg
from labkit.view.schematic.from_rig import drawing_of
from labkit.view.words import key_numbers, read_response, sentence

DOCS = Path(__file__).resolve().parents[1]
PAGE = DOCS / "reference" / "wirings.md"
PICTURES = DOCS / "pictures" / "wirings"

HEAD = """# Wirings

Every wiring that labkit brings, generated from its sheet by `python -m docs.tools.wirings`. The curves are those of the
demo pickups of the winding room at Saltmarsh Lane into 5 m of cable (100 pF/m) and 1 MΩ with 107 pF; zero is the
voltage the strings induce in a pickup. Loads as stated, a peak is good to ±6 % in frequency (95 %). Of two or three
single coils one is wound and magnetised the other way; two-coil wirings expect coils wound in opposite senses over
opposite poles (with coils wound alike, exchange start and finish of one).

The tables give, for every combination of switch positions: what is heard; how the pickups stand to each other at
400 Hz; the hum of a uniform field against the strongest coil alone at the same settings, with turns × area of real
coils 1 % apart where it cancels; and the level at 400 Hz with every pickup given the same EMF. Where strings induce
unequal voltages, a pair out of phase cancels less than the table says. See [hum](../explanation/hum.md); what a sheet
claims for a position is held against these numbers by a test.

A wiring of your own is a sheet of the same form: see [sheets](sheets.md).
"""


def variants_of(rig: Rig) -> dict[str, Rig]:
    """Return what the curve shows: as delivered, other positions of the first switch or knobs at 5, four at most."""
    found = {"as delivered": rig}
    for selector in rig.harness.selectors[:1]:
        for position in selector.positions:
            if position != rig.settings[selector.name]:
                found[position.replace("_", " ")] = rig.replace(settings={selector.name: position})
    for knob in rig.harness.knobs:
        if len(found) < 3:
            found[f"{knob.name.replace('_', ' ')} 5"] = rig.replace(settings={knob.name: 5.0})
    return dict(list(found.items())[:4])


def file_name(harness: Harness) -> str:
    """Return the stem of a wiring's pictures."""
    return re.sub(r"[^a-z0-9]+", "-", harness.name.casefold()).strip("-")


def section(harness: Harness) -> tuple[str, dict[str, str]]:
    """Return a wiring's part of the page, and its pictures by file name."""
    rig = demo_rig(harness)
    stem = file_name(harness)
    styles = (NOW, *PINS)
    curves = [
        Curve(
            frequency_hz=variant.response().frequency_hz,
            gain_db=variant.response().gain_db,
            label=label,
            style=style,
            reading=read_response(variant.response()),
        )
        for (label, variant), style in zip(variants_of(rig).items(), styles)
    ]
    words = sentence(key_numbers(read_response(rig.response())))
    picture = draw_curves(curves, title=f"Response: {harness.name}", description=words, width=760, height=340)
    controls = ", ".join(control.name.replace("_", " ") for control in harness.controls) or "none"
    pickups = "; ".join(f"{slot}: {pickup.name}" for slot, pickup in rig.pickups.items())
    lines = [
        f"## {harness.name}",
        "",
        harness.summary,
        "",
        f"*For:* {harness.purpose}" if harness.purpose else "",
        f"*Pickups:* {pickups}. *Controls:* {controls}.",
        f"*As delivered:* {words}",
        "",
        table(POSITION_HEAD, position_table(rig)),
        "",
        f"![Schematic of {harness.name}](../pictures/wirings/{stem}.svg)",
        "",
        f"![Curve of {harness.name}](../pictures/wirings/{stem}-curve.svg)",
    ]
    pictures = {f"{stem}.svg": to_svg(draw(drawing_of(rig))), f"{stem}-curve.svg": _document(picture)}
    return "\n".join(line for line in lines if line is not None), pictures


def generate() -> dict[Path, str]:
    """Return every generated file and its text."""
    known = catalogue()
    files: dict[Path, str] = {}
    sections = []
    for name in known.names("harness"):
        if known.item("harness", name).plugin != "builtin":
            continue
        text, pictures = section(known.load("harness", name))
        sections.append(text)
        files |= {PICTURES / picture: content for picture, content in pictures.items()}
    files[PAGE] = "\n\n".join([HEAD.strip(), *sections]) + "\n"
    return files


def main() -> None:
    """Write every generated file and remove pictures of wirings that are gone."""
    files = generate()
    for old in PICTURES.glob("*.svg"):
        if old not in files:
            old.unlink()
    for path, text in files.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")


def _document(svg: str) -> str:
    """Return an SVG element as a document of its own."""
    return svg if "xmlns=" in svg else svg.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1)


if __name__ == "__main__":
    main()
