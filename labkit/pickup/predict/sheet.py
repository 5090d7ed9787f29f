"""The build sheet: geometry and materials of a pickup, read into a `PickupBuild`, and changed in the sheet's own words.

Each coil is described by its build (turns, wire, bobbin, poles) or, in a mixed pickup, by measured values.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from labkit.core.errors import InputError, did_you_mean
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
from labkit.pickup.winding.capacitance import LEADS, WAX, lead
from labkit.pickup.winding.winding import Winding, read_winding

STEEL = "low-carbon steel"
"""Metal of the catalogue that slugs, screws and blades are made of."""

STRING_DISTANCE = 3e-3
"""Pole face to string where the sheet states none, m."""

_SPACING = UsualRange(low=5e-3, high=60e-3)
_DISTANCE = UsualRange(low=0.5e-3, high=10e-3)


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
    losses: str = CYLINDER
    values: Coil | None = None
    facing: Facing | None = None
    wound: Wound | None = None

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
    output : Prediction or None, dB
        Stated by the sheet, for a build whose output is not modelled.
    data : mapping
        The keys of the sheet, for changes in its own words.
    where : str
        Name of the sheet in messages.
    folder : Path or None
    """

    name: str
    coils: tuple[tuple[str, CoilBuild], ...]
    connection: Connection = "series"
    coupling: float | None = None
    spacing: float | None = None
    bar: BarMagnet | None = None
    bar_grade: MagnetGrade | None = None
    plates: tuple[Cover, ...] = ()
    lead: SourcedValue = LEADS["none"]
    temperature_c: float = 20.0
    wax_fill: float = 0.0
    string_distance: float = STRING_DISTANCE
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
    name = table.text("name", expected="the pickup's name")
    listed = table.table("coil")
    if not 1 <= len(listed.data) <= 2:
        table.fail("coil", f"a pickup has one or two coils ([coil.NAME]); got {len(listed.data)}")
    coils = tuple((coil, read_coil_build(entry)) for coil, entry in table.each("coil"))
    two = len(coils) == 2
    connection = table.choice("connection", ("series", "parallel"), "series")
    coupling: float | None = table.number("coupling", None, low=-0.999, high=0.999)
    spacing: float | None = table.quantity("spacing", "m", None, usual=_SPACING, low=1e-3)
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
        name=name,
        coils=coils,
        connection=connection,  # type: ignore[arg-type]
        coupling=coupling,
        spacing=spacing,
        bar=bar,
        bar_grade=bar_grade,
        plates=tuple(plates),
        lead=_read_lead(table),
        temperature_c=table.quantity(
            "temperature", "°C", 20.0, low=COPPER_TEMPERATURE.limits[0], high=COPPER_TEMPERATURE.limits[1]
        ),
        wax_fill=table.quantity("wax", "1", 0.0, low=WAX.low, high=WAX.high),
        string_distance=table.quantity("string_distance", "m", STRING_DISTANCE, usual=_DISTANCE, low=0.5e-3, high=0.05),
        output=read_output(table, name),
        data=table.data,
        where=table.where,
        folder=table.folder,
    )
    table.done()
    return found


def read_coil_build(table: Table) -> CoilBuild:
    """Read one coil, by build (``turns`` and ``wire``) or by values (``resistance`` and so on)."""
    if "resistance" in table.data or "turns" not in table.data:
        values = read_coil(table)
        return CoilBuild(values=values, facing=values.facing, wound=values.wound)
    winding = read_winding(table)
    wound = table.choice("wound", ("clockwise", "counter-clockwise"), None)
    facing = table.choice("facing", ("north", "south"), None)
    poles = grade = permeability = resistivity = None
    losses = CYLINDER
    if "losses" in table:
        if "poles" not in table:
            table.fail("losses", "names how the poles lose energy; this coil has no poles")
        losses = table.attempt("losses", lambda: check_loss_model(table.text("losses")))
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
        if stated and facing is not None and facing != poles.facing:
            table.fail("facing", f"says {facing} and poles.facing {poles.facing}; leave one of them out")
        facing = poles.facing if stated else facing
    table.done()
    return CoilBuild(
        winding=winding,
        poles=poles,
        grade=grade,
        permeability=permeability,
        resistivity=resistivity,
        losses=losses,
        facing=facing,  # type: ignore[arg-type]
        wound=wound,  # type: ignore[arg-type]
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


def _read_lead(table: Table) -> SourcedValue:
    """Read ``[lead]``: a ``capacitance`` with its optional ``capacitance_spread``, or a usual ``kind``."""
    given = table.table("lead", {})
    kind: str | None = given.text("kind", None, expected="a kind of lead")
    value: float | None = given.quantity("capacitance", "F", None, usual=CAPACITANCE, low=0.0)
    spread = given.quantity("capacitance_spread", "F", None, low=0.0)
    given.done()
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
