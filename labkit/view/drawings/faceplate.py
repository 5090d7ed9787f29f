"""The face of an instrument, drawn from its harness sheet: what a hand finds on it, and one word on what it does not.

Bars are pickups (two bars in a frame are two coils that the wiring reaches singly), ticks are the stops of a switch,
rings are knobs with a letter. The word in the corner names what cannot be seen from outside. Drawn in the colour of the
text around it, so it suits any background.
"""

from __future__ import annotations

from html import escape

from labkit.circuit.elements import GROUND
from labkit.core.units import format_quantity
from labkit.rig.harness import Harness
from labkit.rig.parts.active import (
    DummyCoil,
    OnboardBuffer,
    OperationalAmplifier,
    ScreenedLead,
    ShelvingAmplifier,
    Transformer,
    Transistor,
)
from labkit.rig.parts.parts import FixedCapacitor, FixedInductor, FixedResistor, Pot, Switch
from labkit.view import svg

WIDTH, HEIGHT = 220.0, 104.0
"""Size of the drawing, CSS pixels."""

_MIDDLE = 46.0
"""Height of the middle of pickups, switches and knobs; the word stands under them."""
_STOP = 12.0
"""From one stop of a switch to the next."""
SMALL_TONE_CAPACITOR = 10e-9
"""A tone capacitor below this is named, farads; 22 nF and 47 nF are common practice, no source."""

_LETTERS = (("volume", "V"), ("tone", "T"), ("blend", "B"), ("join", "B"), ("bass", "L"))
_INK = "currentColor"


def draw_faceplate(harness: Harness) -> str:
    """Return the drawing, SVG; decoration beside the wiring's name, so it is hidden from a screen reader."""
    parts = [
        svg.rectangle(1, 1, WIDTH - 2, HEIGHT - 2, _INK, rx=14, fill_opacity=0.07, stroke=_INK, stroke_opacity=0.3),
        *_pickups(harness),
        *_switches(harness),
        *_knobs(harness),
    ]
    word = hidden_word(harness)
    if word:
        parts.append(svg.text(WIDTH - 10, HEIGHT - 7, word, _INK, anchor="end", font_size=12, opacity=0.8))
    return svg.element(
        "svg",
        *parts,
        class_="lab-face",
        viewBox=f"0 0 {svg.number(WIDTH)} {svg.number(HEIGHT)}",
        width=WIDTH,
        height=HEIGHT,
        aria_hidden="true",
    )


def two_coil_slots(harness: Harness) -> tuple[str, ...]:
    """Return the pickups whose coils the wiring reaches one by one."""
    reached = {node.partition(".")[0] for node in harness.terminals if node.count(".") == 2}
    return tuple(slot for slot in harness.slots if slot in reached)


def knob_letter(name: str) -> str:
    """Return the letter on a knob: V volume, T tone, B blend, L a cut of the lows, K any other.

    >>> knob_letter("neck_tone"), knob_letter("bass")
    ('T', 'L')
    """
    return next((letter for word, letter in _LETTERS if word in name), "K")


def hidden_word(harness: Harness) -> str:
    """Name what of a wiring cannot be seen on the instrument, in a word or two; empty where nothing is hidden."""
    for kind, word in (
        (OnboardBuffer | OperationalAmplifier | ShelvingAmplifier | Transistor, "battery"),
        (Transformer, "transformer"),
        (DummyCoil, "dummy coil"),
        (FixedInductor, "inductor"),
        (ScreenedLead, "screened leads"),
    ):
        if any(isinstance(part, kind) for part in harness.parts.values()):
            return word
    pots = [part for part in harness.parts.values() if isinstance(part, Pot)]
    volumes = [pot for pot in pots if "volume" in pot.control.name and "-" not in pot.nodes]
    tones = [pot for pot in pots if "tone" in pot.control.name]
    second = [part for part in harness.parts.values() if isinstance(part, Switch) and part.control.name != "selector"]
    found = (
        next(filter(None, (_bleed(harness, pot) for pot in volumes)), ""),
        "no-load tone" if any(pot.opens_above is not None for pot in tones) else "",
        _tone_network(harness, tones),
        "bass cut" if any("bass" in control.name for control in harness.controls) else "",
        "independent" if _wipers_at_the_pickups(harness, volumes) else "",
        "tone after volume" if _tone_after_volume(volumes, tones) else "",
        _switch_word(second[0]) if len(second) == 1 else "",
        "load trims" if any("trim" in part or "load" in part for part in harness.parts) else "",
    )
    return next(filter(None, found), "")


def _bleed(harness: Harness, volume: Pot) -> str:
    """What joins a volume pot's input and output beside its track."""
    ends = {*volume.nodes[:2]}
    pairs = [
        (type(part), {*part.nodes})
        for part in harness.parts.values()
        if isinstance(part, FixedCapacitor | FixedResistor)
    ]
    across = {kind for kind, nodes in pairs if nodes == ends}
    if across >= {FixedCapacitor, FixedResistor}:
        return "bleed C ∥ R"
    if FixedCapacitor in across:
        return "bleed C"
    for kind, nodes in pairs:
        for other, more in pairs:
            middle = nodes & more
            is_row = kind is FixedCapacitor and other is FixedResistor and len(middle) == 1 and nodes ^ more == ends
            if is_row and GROUND not in middle:
                return "bleed C + R"
    return ""


def _wipers_at_the_pickups(harness: Harness, volumes: list[Pot]) -> bool:
    ends = {f"{slot}.hot" for slot in harness.slots}
    return len(volumes) > 1 and all(pot.nodes[1] in ends for pot in volumes)


def _tone_after_volume(volumes: list[Pot], tones: list[Pot]) -> bool:
    outputs = {pot.nodes[1] for pot in volumes} - {pot.nodes[0] for pot in volumes}
    return len(tones) == len(volumes) and any(outputs & {*pot.nodes} for pot in tones)


def _tone_network(harness: Harness, tones: list[Pot]) -> str:
    """What stands behind a tone pot in place of a plain capacitor of some 22 nF."""
    wipers = {pot.nodes[1] for pot in tones}
    for part in harness.parts.values():
        if isinstance(part, FixedResistor) and wipers & {*part.nodes} and GROUND not in part.nodes:
            return "limited tone"
        if isinstance(part, FixedCapacitor) and wipers & {*part.nodes} and part.value < SMALL_TONE_CAPACITOR:
            return format_quantity(part.value, "F")
    return ""


def _switch_word(switch: Switch) -> str:
    """What a second switch does, by its positions where they say it and by its name otherwise."""
    positions = " ".join(switch.positions)
    words = (("partial", "partial split"), ("split", "split"), ("tap", "tap"), ("half", "half out of phase"))
    if switch.style == "rotary":
        return "rotary"
    return next((said for word, said in words if word in positions), switch.control.name.replace("_", " "))


def _pickups(harness: Harness) -> list[str]:
    count = len(harness.slots)
    places = {1: (34.0,), 2: (26.0, 66.0)}.get(count, tuple(18.0 + 30 * index for index in range(count)))
    split = two_coil_slots(harness)
    drawn = []
    for slot, x in zip(harness.slots, places):
        if slot in split:
            drawn.append(svg.rectangle(x - 9, 16, 18, 60, "none", rx=3, stroke=_INK, stroke_width=2))
            drawn += [svg.line(x + side, 22, x + side, 70, _INK, stroke_width=2) for side in (-3.5, 3.5)]
        else:
            drawn.append(svg.rectangle(x - 4.5, 16, 9, 60, _INK, rx=4.5))
    return drawn


def _switches(harness: Harness) -> list[str]:
    drawn = []
    x = 112.0 if len(harness.slots) > 2 else 100.0
    for selector in harness.selectors:
        count = len(selector.positions)
        top = _MIDDLE - (count - 1) * _STOP / 2
        drawn.append(svg.line(x + 5, top - 4, x + 5, top + (count - 1) * _STOP + 4, _INK, stroke_width=1))
        drawn += [
            svg.line(x, top + stop * _STOP, x + 10, top + stop * _STOP, _INK, stroke_width=2) for stop in range(count)
        ]
        at = selector.positions.index(selector.default)
        drawn.append(svg.element("circle", cx=x + 5, cy=top + at * _STOP, r=5, fill=_INK))
        x += 20
    return drawn


def _knobs(harness: Harness) -> list[str]:
    drawn = []
    start = (112.0 if len(harness.slots) > 2 else 100.0) + 20 * len(harness.selectors) + 14
    for index, knob in enumerate(harness.knobs):
        x, y = start + index // 2 * 30, _MIDDLE if len(harness.knobs) == 1 else (28.0, 64.0)[index % 2]
        drawn.append(svg.element("circle", cx=x, cy=y, r=12, fill="none", stroke=_INK, stroke_width=2))
        drawn.append(svg.line(x, y - 12, x, y - 7, _INK, stroke_width=2))
        letter = escape(knob_letter(knob.name))
        drawn.append(
            svg.element("text", letter, x=x, y=y + 6, text_anchor="middle", font_size=11, font_weight="600", fill=_INK)
        )
    return drawn
