"""The build sheet: geometry and materials of a pickup, read into a `PickupBuild`, and changed in the sheet's own words.

Each coil is described by its build (turns, wire, bobbin, poles) or, in a mixed pickup, by measured values.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, get_args

from labkit.core.errors import InputError, did_you_mean
from labkit.core.keys import custom, number, quantity, read_keys, text
from labkit.core.sheet import Table
from labkit.core.sourced import SourcedValue
from labkit.core.units import UsualRange
from labkit.pickup.electrical import CAPACITANCE, Coil, Connection, Facing, Wound
from labkit.pickup.losses.models import CYLINDER, check_loss_model
from labkit.pickup.losses.plates import Cover, cover_from_sheet
from labkit.pickup.magnetics.bar import BarMagnet, bar_from_sheet
from labkit.pickup.magnetics.magnet import MagnetGrade, magnet
from labkit.pickup.magnetics.poles import Pole, pole_from_sheet
from labkit.pickup.materials.materials import metal
from labkit.pickup.materials.wire import COPPER_TEMPERATURE
from labkit.pickup.predict.propagation import Prediction
from labkit.pickup.sheet import read_coil, read_output
from labkit.pickup.string.known_steel import KnownSteel, read_known_steel
from labkit.pickup.winding.capacitance import LEADS, WAX, lead
from labkit.pickup.winding.winding import Winding, read_winding

STEEL = "low-carbon steel"
"""Metal of the catalogue that slugs, screws and blades are made of."""

STRING_DISTANCE = 3e-3
"""Pole face to string where the sheet states none, m."""

_SPACING = UsualRange(low=5e-3, high=60e-3)
_DISTANCE = UsualRange(low=0.5e-3, high=10e-3)


def _losses(table: Table, key: str) -> str:
    if "poles" not in table:
        table.fail(key, "names how the poles lose energy; this coil has no poles")
    return table.attempt(key, lambda: check_loss_model(table.text(key)))


def _string_steel(table: Table, key: str) -> KnownSteel:
    return table.attempt(key, lambda: read_known_steel(table.text(key), table.folder))


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilBuild:
    """One coil of a build: how it is made, or (``values``) what it measures.

    Attributes
    ----------
    winding : Winding or None
    poles : Pole or None
    grade : MagnetGrade or None
        Of rod magnets.
    permeability, resistivity : SourcedValue or None, 1 and Ω·m
        Small-signal permeability and resistivity of the poles.
    losses : str
        Model of the poles' eddy currents, by name.
    values : Coil or None
        Instead of a build.
    facing, wound : or None
    """

    winding: Winding | None = None
    poles: Pole | None = None
    grade: MagnetGrade | None = None
    permeability: SourcedValue | None = None
    resistivity: SourcedValue | None = None
    losses: str = custom(
        take=_losses, default=CYLINDER, form="text", meaning="model of the eddy currents in the poles, by name"
    )
    values: Coil | None = None
    facing: Facing | None = text(options=get_args(Facing), default=None, meaning="pole seen from the strings")
    wound: Wound | None = text(
        options=get_args(Wound), default=None, meaning="sense from start to finish, seen from the strings"
    )

    @property
    def material(self) -> str:
        """What the poles are made of, in words."""
        return self.grade.name if self.grade is not None else "steel"


@dataclass(frozen=True, slots=True, kw_only=True)
class PickupBuild:
    """A pickup as it is made.

    Attributes
    ----------
    name : str
    coils : tuple of (str, CoilBuild)
        One or two, in the order of the sheet.
    connection : "series" or "parallel"
    coupling : float or None
        Measured coupling of two coils; None predicts it.
    spacing : float or None, m
        Between the middle lines of two coils.
    bar, bar_grade : or None
        Bar magnet under the poles.
    plates : tuple of Cover
        Cover and baseplate.
    lead : SourcedValue, F
    temperature_c : float, °C
    wax_fill : float
        0 dry … 1 filled.
    string_distance : float, m
        Pole face to string.
    string_steel : KnownSteel or None
        What measurements say of the strings' steel.
    output : Prediction or None, dB
        Stated by the sheet, for a build whose output is not modelled.
    data : mapping
        The keys of the sheet, for changes in its own words.
    where : str
        Name of the sheet in messages.
    folder : Path or None
    """

    name: str = text(meaning="the pickup's name")
    coils: tuple[tuple[str, CoilBuild], ...]
    connection: Connection = text(options=get_args(Connection), default="series", meaning="how its leads join coils")
    coupling: float | None = number(
        default=None, low=-0.999, high=0.999, meaning="measured coupling of two coils; predicted where absent"
    )
    spacing: float | None = quantity(
        "m",
        default=None,
        usual=_SPACING,
        low=1e-3,
        meaning="between the middles of two coils; due where `coupling` is absent",
    )
    bar: BarMagnet | None = None
    bar_grade: MagnetGrade | None = None
    plates: tuple[Cover, ...] = ()
    lead: SourcedValue = LEADS["none"]
    temperature_c: float = quantity(
        "°C",
        name="temperature",
        default=20.0,
        low=COPPER_TEMPERATURE.limits[0],
        high=COPPER_TEMPERATURE.limits[1],
        meaning="of coil and magnets",
    )
    wax_fill: float = quantity(
        "1",
        name="wax",
        default=0.0,
        low=WAX.low,
        high=WAX.high,
        meaning="part of the gaps that wax fills",
    )
    string_distance: float = quantity(
        "m",
        default=STRING_DISTANCE,
        usual=_DISTANCE,
        low=0.5e-3,
        high=0.05,
        meaning="from pole face to string",
    )
    string_steel: KnownSteel | None = custom(
        take=_string_steel,
        default=None,
        form="text",
        meaning="a `string steel` sheet of `labkit shim`: its path, or a name of the catalogue",
    )
    output: Prediction | None = None
    data: Mapping[str, Any] = field(default_factory=dict, compare=False, repr=False)
    where: str = field(default="pickup", compare=False)
    folder: Path | None = field(default=None, compare=False)

    def table(self) -> Table:
        """Return a fresh reader of the sheet."""
        return Table(self.data, self.where, folder=self.folder)

    @property
    def coupling_sign(self) -> int:
        """+1 where the two coils' flux helps: in phase over opposite poles. −1 over like poles, where it opposes."""
        facing = [coil.facing for _, coil in self.coils]
        return -1 if len(facing) == 2 and facing[0] is not None and facing[0] == facing[1] else 1

    @property
    def magnets(self) -> tuple[MagnetGrade, ...]:
        """Grades in the pickup, without repeats."""
        grades = [coil.grade for _, coil in self.coils] + [self.bar_grade]
        return tuple(dict.fromkeys(grade for grade in grades if grade is not None))


def is_build_sheet(table: Table) -> bool:
    """Say whether a pickup sheet describes a build: some coil has turns and no resistance."""
    coils = table.data.get("coil")
    entries = coils.values() if isinstance(coils, dict) else ()
    return any(isinstance(entry, dict) and "turns" in entry and "resistance" not in entry for entry in entries)


def read_pickup_build(table: Table) -> PickupBuild:
    """Read a build sheet (or an inline table of the same keys).

    Raises
    ------
    SheetError
        Naming the file, the key and the remedy.
    """
    for key in ("sheet", "format", "summary", "source", "note", "doubt"):
        table.raw(key, None)
    values = read_keys(PickupBuild, table)
    listed = table.table("coil")
    if not 1 <= len(listed.data) <= 2:
        table.fail("coil", f"a pickup has one or two coils ([coil.NAME]); got {len(listed.data)}")
    coils = tuple((coil, read_coil_build(entry)) for coil, entry in table.each("coil"))
    two = len(coils) == 2
    spacing, coupling = values["spacing"], values["coupling"]
    if two and spacing is None and coupling is None:
        table.fail("spacing", 'is missing; the distance between the middles of the two coils, such as "18 mm", is due')
    if not two and (spacing is not None or coupling is not None):
        table.fail("spacing" if spacing is not None else "coupling", "belongs to a pickup of two coils; this has one")
    bar, bar_grade = _read_bar(table)
    if bar is not None and two:
        coils = _over_bar(table, coils)
    plates = []
    for key, kind in (("cover", "two-coil cover" if two else "single-coil cover"), ("baseplate", "baseplate")):
        if key in table:
            plates.append(cover_from_sheet(table.table(key), kind=kind))  # type: ignore[arg-type]
    found = PickupBuild(
        **values,
        coils=coils,
        bar=bar,
        bar_grade=bar_grade,
        plates=tuple(plates),
        lead=_read_lead(table),
        output=read_output(table, values["name"]),
        data=table.data,
        where=table.where,
        folder=table.folder,
    )
    table.done()
    return found


def read_coil_build(table: Table) -> CoilBuild:
    """Read one coil, by build (``turns`` and ``wire``) or by values (``resistance`` and so on)."""
    if "resistance" in table.data or "turns" not in table.data:
        measured = read_coil(table)
        return CoilBuild(values=measured, facing=measured.facing, wound=measured.wound)
    winding = read_winding(table)
    values = read_keys(CoilBuild, table)
    poles = grade = permeability = resistivity = None
    if "poles" in table:
        poles = pole_from_sheet(table.table("poles"))
        if poles.grade is not None:
            named = poles.grade
            grade = table.attempt("poles.grade", lambda: magnet(named))
            permeability, resistivity = grade.signal_permeability, grade.resistivity
        else:
            steel = table.attempt("poles", lambda: metal(STEEL))
            permeability, resistivity = steel.permeability, steel.resistivity
        stated = "facing" in table.data["poles"] or poles.grade is not None  # steel faces as its bar decides
        facing = values["facing"]
        if stated and facing is not None and facing != poles.facing:
            table.fail("facing", f"says {facing} and poles.facing {poles.facing}; leave one of them out")
        values["facing"] = poles.facing if stated else facing
    table.done()
    return CoilBuild(
        **values,
        winding=winding,
        poles=poles,
        grade=grade,
        permeability=permeability,
        resistivity=resistivity,
    )


def _read_bar(table: Table) -> tuple[BarMagnet | None, MagnetGrade | None]:
    if "bar" not in table:
        return None, None
    bar = bar_from_sheet(table.table("bar"))
    return bar, table.attempt("bar.grade", lambda: magnet(bar.grade))


def _over_bar(table: Table, coils: tuple[tuple[str, CoilBuild], ...]) -> tuple[tuple[str, CoilBuild], ...]:
    """Give the rows over a bar the opposite poles that it makes of them."""
    (first, one), (second, other) = coils
    if one.facing is not None and one.facing == other.facing:
        table.fail("bar", f"makes opposite poles of the two rows; '{first}' and '{second}' both say {one.facing}")
    opposite: dict[Facing | None, Facing] = {"north": "south", "south": "north", None: "north"}
    near = one.facing or opposite[other.facing]
    return (first, replace(one, facing=near)), (second, replace(other, facing=opposite[near]))


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadBuild:
    """The ``lead`` table of a build sheet: a usual kind of lead, or its capacitance."""

    kind: str | None = text(default=None, meaning="a kind of lead")
    capacitance: float | None = quantity(
        "F", default=None, usual=CAPACITANCE, low=0.0, meaning="of the lead, in place of its kind"
    )
    capacitance_spread: float | None = quantity(
        "F", default=None, low=0.0, meaning="95 % half-width of it; ± 10 % where absent"
    )


def _read_lead(table: Table) -> SourcedValue:
    given = table.table("lead", {})
    own = LeadBuild(**read_keys(LeadBuild, given))
    given.done()
    kind, value, spread = own.kind, own.capacitance, own.capacitance_spread
    if kind is not None and value is not None:
        given.fail("kind", "and `capacitance` say the same thing twice; leave one of them out")
    if value is None:
        return LEADS["none"] if kind is None else given.attempt("kind", lambda: lead(kind))
    return SourcedValue(
        value=value,
        unit="F",
        spread=0.1 * value if spread is None else spread,
        kind="measured",
        source="the build sheet",
        doubt="" if spread is not None else "± 10 % taken",
    )


def with_changes(table: Table, changes: Mapping[str, Any]) -> Table:
    """Return the sheet with keys replaced, named by their dotted place (``coil.main.turns``).

    A table that does not exist yet (``cover.metal``) is begun; a misspelt coil or key is refused here or by the reader.

    Raises
    ------
    InputError
        If a name leads through something that is not a table, or names a coil that is not there.
    """
    data: dict[str, Any] = _copy(table.data)
    for name, value in changes.items():
        *parents, key = name.split(".")
        here = data
        for depth, part in enumerate(parents):
            if part not in here and parents[:1] == ["coil"] and depth == 1:
                raise InputError(f"{table.where}: there is no coil '{part}'.{did_you_mean(part, here)}")
            step = here.setdefault(part, {})
            if not isinstance(step, dict):
                raise InputError(f"{table.where}: '{name}' leads through '{part}', which is not a table")
            here = step
        if not key or isinstance(here.get(key), dict):
            near = difflib.get_close_matches(key, list(here), n=1)
            inner = ", ".join(f"{name}.{item}" for item in here.get(key, {})) or (near[0] if near else "a key")
            raise InputError(f"{table.where}: '{name}' is a table; name one of its keys: {inner}")
        here[key] = _like(here.get(key), value)
    return Table(data, table.where, table.path, table.folder)


def _copy(data: Any) -> Any:
    """Copy tables and lists all the way down; a table that stands in two places becomes two."""
    if isinstance(data, Mapping):
        return {key: _copy(value) for key, value in data.items()}
    return [_copy(value) for value in data] if isinstance(data, list) else data


def _like(old: Any, new: Any) -> Any:
    """Return a text as a number or flag where one stood, or where nothing stood and it is a plain one."""
    if not isinstance(new, str) or isinstance(old, str):
        return f"{new:g}" if isinstance(old, str) and isinstance(new, int | float) else new
    if new.strip().lower() in ("true", "false"):
        return new.strip().lower() == "true"
    try:
        number = float(new)
    except ValueError:
        return new
    return int(number) if number.is_integer() and "." not in new and "e" not in new.lower() else number
