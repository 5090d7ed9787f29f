"""The controls of a pickup in the making: what of its build sheet can be set, between which limits.

The page never holds a value that the sheet does not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

from labkit.app.kit.controls import Control, Group, Value
from labkit.app.kit.pickup.made import FLANGE, Keys, Scalar, built_names, ordered_coils
from labkit.app.kit.pickup.sheet_control import (
    START,
    SheetControl,
    SheetControls,
    count_control,
    length_control,
    millimetres,
    mm,
    number_at,
    percent,
    percent_control,
    share_control,
    steps,
    with_start,
    word_control,
)
from labkit.app.pages.winding.aging import ROOM, aging_controls, without_lost_history
from labkit.catalogue import catalogue
from labkit.core.units import parse_quantity
from labkit.pickup.materials.materials import metal
from labkit.pickup.materials.wire import wire
from labkit.pickup.winding.capacitance import LEADS
from labkit.pickup.winding.winding import USUAL_PACKING, build_up

NO_COVER = "none"
NO_POLES = "none"
MEASURED_WIRE = "measured wire"
USUAL_GRADE = "Alnico 5"
FLANGE_SPARE = 0.4e-3
"""A flange that the sheet does not state is taken to stand this far out over the winding it came with, m."""


def coil_names(keys: Keys) -> tuple[str, ...]:
    """Return the coils of a sheet in its order."""
    found = {key.split(".")[1] for key in keys if key.startswith("coil.") and key.count(".") >= 2}
    return tuple(ordered_coils(keys, found))


def sheet_controls(keys: Keys, coil: str, start: Keys | None = None) -> SheetControls:
    """Return the controls of one coil and of what its pickup shares.

    Parameters
    ----------
    keys : mapping
        The sheet, laid flat: decides which controls there are.
    coil : str
        The coil whose own measures are set.
    start : mapping, optional
        The sheet it started from, whose values are among the positions of the sliders. Those do not follow the present
        values: a slider that is being drawn must not change under the hand.
    """
    keys = keys | {START + key: value for key, value in (keys if start is None else start).items()}
    here = f"coil.{coil}"
    pair = len(coil_names(keys)) > 1
    mine = f" of the {coil} coil" if pair else ""
    groups: list[tuple[str, str, tuple[SheetControl, ...]]] = [
        (f"Winding{mine}", "", _wire(keys, here)),
        (f"Bobbin{mine}", "", _bobbin(keys, here)),
        (f"Poles{mine}", "", _poles(keys, here)),
        ("Magnet", "", _magnet(keys)),
        ("What happened to it since", "Begins freshly charged to saturation.", _since(keys)),
        ("Cover, lead and wax", "", _around(keys)),
    ]
    return SheetControls(groups=tuple(groups))


HEARD_MOST = ("turns", "grade", "charge", "wire", "strings")
"""Keys of what moves level and peak most; common practice, no source."""
HEARD, STARTED = "What you hear most", "Started from"


def by_ear(groups: Sequence[Group]) -> tuple[Group, ...]:
    """Return what is heard most as one group, and the rest of the groups folded."""
    found = {control.key: control for group in groups for control in group.controls}
    first = Group(title=HEARD, controls=tuple(found[key] for key in HEARD_MOST if key in found))
    rest = (
        replace(group, controls=tuple(item for item in group.controls if item.key not in HEARD_MOST), is_fold=True)
        for group in groups
    )
    return (first, *(group for group in rest if group.controls))


def fold_heads(groups: Sequence[Group], values: Mapping[str, Value]) -> dict[str, str]:
    """Return the values of folded groups as their headings carry them, measures short."""
    heads = {}
    for group in groups:
        texts = {control.key: control.text(values[control.key]) for control in group.controls}
        if {"straight", "height", "flange"} <= set(texts):
            heads[group.title] = f"{texts['straight']} × {texts['height']}, flange {texts['flange']}"
        elif {"poles", "poles_count", "diameter", "length"} <= set(texts):
            many = "" if values["poles_count"] == 1 else "s"
            size = f"{texts['diameter']} × {texts['length']}"
            heads[group.title] = f"{texts['poles_count']} {texts['poles']}{many}, {size}"
        elif {"cover", "lead", "wax"} <= set(texts):
            cover = "no cover" if values["cover"] == NO_COVER else f"{texts['cover']} cover"
            wax = "no wax" if not values["wax"] else f"wax {texts['wax']}"
            heads[group.title] = f"{cover}, lead {texts['lead']}, {wax}"
        elif {"knocked", "drops", "extreme", "stray"} <= set(texts):
            told = {
                "knocked": f"knocked back {texts['knocked']}",
                "drops": f"{texts['drops']} falls",
                "extreme": f"was at {texts['extreme']}",
                "stray": f"{texts['stray']} of stray field",
            }
            happened = [words for key, words in told.items() if values[key] != (ROOM if key == "extreme" else 0.0)]
            heads[group.title] = ", ".join(happened) or "nothing"
        elif group.is_fold:
            heads[group.title] = group.head(values)
    return heads


def flange_radius(keys: Keys, coil: str) -> float:
    """Return the outer end radius of a coil's flange, m; a usual one where the sheet states none."""
    stated = keys.get(f"coil.{coil}.{FLANGE}")
    if stated is not None:
        return parse_quantity(str(stated), "m")
    assumed = number_at(keys, f"coil.{coil}.end_radius", "m", 2.5e-3) + _depth(keys, f"coil.{coil}") + FLANGE_SPARE
    return round(assumed * 1e4) / 1e4


def state_flanges(keys: Keys) -> Keys:
    """Return the sheet with every flange stated, so that more turns do not widen an assumed bobbin."""
    return keys | {f"coil.{coil}.{FLANGE}": millimetres(flange_radius(keys, coil)) for coil in coil_names(keys)}


def grade_keys(keys: Keys, key: str = "grade") -> tuple[str, ...]:
    """Return the sheet's keys for grade (or charge) of whatever magnets it has."""
    rods = [f"coil.{coil}.poles" for coil in coil_names(keys) if keys.get(f"coil.{coil}.poles.kind") == "rod magnet"]
    bars = ["bar"] if "bar.grade" in keys else []
    return tuple(f"{place}.{key}" for place in (*rods, *bars))


def _wire(keys: Keys, here: str) -> tuple[SheetControl, ...]:
    names = catalogue().usable_names("wire")

    def read(sheet: Keys) -> Value:
        return MEASURED_WIRE if f"{here}.wire.bare" in sheet else str(sheet.get(f"{here}.wire", ""))

    def write(sheet: Keys, value: Value) -> Keys:
        if value == MEASURED_WIRE:
            return sheet
        return {key: item for key, item in sheet.items() if not key.startswith(f"{here}.wire.")} | {
            f"{here}.wire": str(value)
        }

    turns = count_control(keys, "turns", f"{here}.turns", "Turns", steps(1000, 12_000, 50), high=60_000, note="turns")
    kind = Control(key="wire", label="Wire", kind="choice", positions=names)
    packing = share_control(
        keys,
        "packing",
        f"{here}.packing",
        "Packing of the turns",
        steps(0.60, 1.0, 0.01),
        USUAL_PACKING,
        note="packed",
    )
    way = word_control(keys, "wound", f"{here}.wound", "Wound", _WAYS, _WAYS[0])
    return (turns, SheetControl(control=kind, read=read, write=write), packing, way)


def _bobbin(keys: Keys, here: str) -> tuple[SheetControl, ...]:
    coil = here.partition(".")[2]
    straight = length_control(
        keys, "straight", f"{here}.straight_length", "Straight length", mm(0, 80, 0.5), note="straight"
    )
    radius = length_control(keys, "radius", f"{here}.end_radius", "Core end radius", mm(1, 12, 0.1), note="core radius")
    height = length_control(keys, "height", f"{here}.winding_height", "Winding height", mm(2, 25, 0.1), note="height")
    flange = SheetControl(
        control=Control(
            key="flange",
            label="Flange end radius",
            kind="slider",
            unit="m",
            positions=with_start(keys, f"{here}.{FLANGE}", "m", mm(3, 20, 0.1)),
            low=1e-3,
            high=30e-3,
            bare_unit="mm",
            note="flange",
        ),
        read=lambda sheet: flange_radius(sheet, coil),
        write=lambda sheet, value: sheet | {f"{here}.{FLANGE}": millimetres(value)},
    )
    return (straight, radius, height, flange)


_WAYS = ("clockwise", "counter-clockwise")
_POLES = ("rod magnet", "slug", "screw", "blade", NO_POLES)
LISTED = "as the sheet lists them"
"""Poles that differ from string to string; a sheet lists them, and here any other row may take their place."""


def _poles(keys: Keys, here: str) -> tuple[SheetControl, ...]:
    place = f"{here}.poles"
    kind = _kind_of_poles(keys, place)
    kinds = (*_POLES, LISTED) if kind == LISTED else _POLES
    items = [
        SheetControl(
            control=Control(key="poles", label="Poles", kind="choice", positions=kinds),
            read=lambda sheet: _kind_of_poles(sheet, place),
            write=lambda sheet, value: (
                sheet if value == LISTED else without_lost_history(_with_poles(sheet, here, str(value)))
            ),
        )
    ]
    if kind in (NO_POLES, LISTED):
        return tuple(items)
    if kind == "blade":
        items += [
            length_control(keys, "thickness", f"{place}.thickness", "Blade thickness", mm(1, 8, 0.1), note="blade"),
            length_control(keys, "width", f"{place}.width", "Blade width", mm(10, 80, 0.5), note="blade width"),
        ]
    else:
        items += [
            count_control(keys, "poles_count", f"{place}.count", "How many", steps(1, 12, 1), high=24, note="poles"),
            length_control(keys, "diameter", f"{place}.diameter", "Pole diameter", mm(2, 12, 0.1), note="pole"),
        ]
    items.append(length_control(keys, "length", f"{place}.length", "Pole length", mm(5, 30, 0.5), note="pole length"))
    if kind != "blade" and int(float(str(keys.get(f"{place}.count", 1)))) > 1:
        items.append(length_control(keys, "pitch", f"{place}.pitch", "Pole pitch", mm(4, 20, 0.1), note="pitch"))
    facing = f"{place}.facing"
    items.append(word_control(keys, "facing", facing, "Pole towards the strings", ("north", "south"), "north"))
    return tuple(items)


def _kind_of_poles(keys: Keys, place: str) -> str:
    return LISTED if f"{place}.0.kind" in keys else str(keys.get(f"{place}.kind", NO_POLES))


def _with_poles(sheet: Keys, here: str, kind: str) -> Keys:
    """Change the kind of poles; measures that both kinds have stay, the others start at usual ones."""
    place = f"{here}.poles"
    old = {key.removeprefix(f"{place}."): value for key, value in sheet.items() if key.startswith(f"{place}.")}
    if "0.kind" in old:  # of a list the first pole
        old = {key.removeprefix("0."): value for key, value in old.items() if key.startswith("0.")}
        old.pop("count", None)
    rest = {key: value for key, value in sheet.items() if not key.startswith(f"{place}.")}
    if kind == NO_POLES:
        if "facing" in old:
            rest[f"{here}.facing"] = old["facing"]
        return rest
    if f"{here}.facing" in rest:
        old.setdefault("facing", rest.pop(f"{here}.facing"))
    straight = number_at(sheet, f"{here}.straight_length", "m", 52e-3)
    new: dict[str, Scalar] = {"kind": kind, "length": old.get("length", "17 mm")}
    new |= {key: old[key] for key in ("facing", "rise") if key in old}
    if kind == "blade":
        new |= {
            "thickness": old.get("thickness", old.get("diameter", "3 mm")),
            "width": old.get("width", millimetres(max(straight, 10e-3))),
        }
    else:
        new |= {
            "count": old.get("count", 6),
            "diameter": old.get("diameter", old.get("thickness", "4.8 mm")),
            "pitch": old.get("pitch", millimetres(straight / 5)),
        }
    if kind == "rod magnet":
        new |= {"grade": old.get("grade", USUAL_GRADE), "charge": old.get("charge", "100 %")}
    return rest | {f"{place}.{key}": value for key, value in new.items()}


def _magnet(keys: Keys) -> tuple[SheetControl, ...]:
    grades, charges = grade_keys(keys), grade_keys(keys, "charge")
    if not grades:
        return ()
    names = catalogue().usable_names("magnet")
    grade = SheetControl(
        control=Control(key="grade", label="Magnet", kind="choice", positions=names),
        read=lambda sheet: str(sheet.get(grades[0], USUAL_GRADE)),
        write=lambda sheet, value: sheet | dict.fromkeys(grades, str(value)),
    )
    charge = SheetControl(
        control=percent_control(keys, charges[0], "charge", "Charge left in it", "charged"),
        read=lambda sheet: number_at(sheet, charges[0], "1", 1.0),
        write=lambda sheet, value: sheet | dict.fromkeys(charges, percent(value)),
    )
    return (grade, charge)


def _since(keys: Keys) -> tuple[SheetControl, ...]:
    return aging_controls(keys) if any(key.endswith(".grade") for key in keys) else ()


def _around(keys: Keys) -> tuple[SheetControl, ...]:
    metals = _cover_metals(catalogue().usable_names("metal"))

    def write_metal(sheet: Keys, value: Value) -> Keys:
        if value == NO_COVER:
            return {key: item for key, item in sheet.items() if not key.startswith("cover.")}
        usual: Keys = {"cover.thickness": "0.4 mm", "cover.gap": "1.2 mm"}
        return usual | sheet | {"cover.metal": str(value)}

    items = [
        SheetControl(
            control=Control(key="cover", label="Cover", kind="choice", positions=(NO_COVER, *metals), note="cover"),
            read=lambda sheet: str(sheet.get("cover.metal", NO_COVER)),
            write=write_metal,
        )
    ]
    if "cover.metal" in keys:
        items += [
            length_control(
                keys, "cover_thickness", "cover.thickness", "Cover thickness", mm(0.1, 1.5, 0.05), note="cover"
            ),
            length_control(keys, "cover_gap", "cover.gap", "Winding to cover", mm(0.1, 5, 0.1), note="cover gap"),
        ]

    def read_lead(sheet: Keys) -> float:
        kind = str(sheet.get("lead.kind", "none"))
        return number_at(sheet, "lead.capacitance", "F", LEADS[kind].value if kind in LEADS else 0.0)

    def write_lead(sheet: Keys, value: Value) -> Keys:
        kept = {key: item for key, item in sheet.items() if key not in ("lead.kind", "lead.capacitance_spread")}
        return kept | {"lead.capacitance": f"{1e12 * float(value):.6g} pF"}

    items.append(
        SheetControl(
            control=Control(
                key="lead",
                label="Its own lead",
                kind="slider",
                unit="F",
                positions=with_start(
                    keys, "lead.capacitance", "F", tuple(float(f"{5 * step}e-12") for step in range(61))
                ),
                low=0.0,
                high=2e-9,
                bare_unit="pF",
                note="lead",
            ),
            read=read_lead,
            write=write_lead,
        )
    )
    items.append(
        SheetControl(
            control=percent_control(keys, "wax", "wax", "Filled with wax", "wax"),
            read=lambda sheet: number_at(sheet, "wax", "1", 0.0),
            write=lambda sheet, value: sheet | {"wax": percent(value)},
        )
    )
    items.append(
        length_control(
            keys, "strings", "string_distance", "Pole to string", mm(1, 8, 0.1), note="string at", usual=3e-3
        )
    )
    return tuple(items)


@lru_cache(maxsize=4)
def _cover_metals(names: tuple[str, ...]) -> tuple[str, ...]:
    """Metals a cover may be of: plates of magnetic metal are not modelled."""
    return tuple(name for name in names if metal(name).permeability.value <= 1.5)


def start_control(base: str) -> Control:
    """Return the choice of the pickup to start from."""
    names = built_names()
    return Control(key="start", label="Start from", kind="choice", positions=names if base in names else (base, *names))


def _depth(keys: Keys, here: str) -> float:
    """Return the build-up of a coil, m."""
    if f"{here}.wire.overall" in keys:
        overall = number_at(keys, f"{here}.wire.overall", "m", 0.0)
    else:
        overall = wire(str(keys.get(f"{here}.wire", ""))).overall_nominal
    shape = {
        "winding_height": number_at(keys, f"{here}.winding_height", "m", 10e-3),
        "packing": float(str(keys.get(f"{here}.packing", USUAL_PACKING))),
    }
    depth = float(build_up(turns=float(str(keys.get(f"{here}.turns", 1))), overall_diameter=overall, **shape))
    if f"{here}.then.turns" in keys:
        more = wire(str(keys.get(f"{here}.then.wire", ""))).overall_nominal
        turns = float(str(keys[f"{here}.then.turns"]))
        depth += float(build_up(turns=turns, overall_diameter=more, **shape))
    return depth


def without_flanges(keys: Keys) -> Keys:
    """Return the keys of a sheet without what only the page assumed of its flanges."""
    return {key: value for key, value in keys.items() if not key.endswith(".flange_radius")}
