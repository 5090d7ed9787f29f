"""The build sheet: geometry and materials of a pickup, read into a `PickupBuild`, and changed in the sheet's own words.

Each coil is described by its build (turns, wire, bobbin, poles) or, in a mixed pickup, by measured values.
"""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, get_args

from labkit.core.errors import InputError, did_you_mean
from labkit.core.keys import custom, listed, made, number, quantity, read_keys, text
from labkit.core.sheet import Table
from labkit.core.sourced import SourcedValue
from labkit.core.units import UsualRange, parse_quantity
from labkit.pickup.electrical import CAPACITANCE, Coil, Connection, Facing, Wound
from labkit.pickup.losses.models import CYLINDER, check_loss_model
from labkit.pickup.losses.plates import Cover, cover_from_sheet
from labkit.pickup.magnetics.bar import BarMagnet, bar_from_sheet
from labkit.pickup.magnetics.history import Aged, HistoryEvent
from labkit.pickup.magnetics.magnet import MagnetGrade, magnet
from labkit.pickup.magnetics.poles import Pole, poles_from_sheet
from labkit.pickup.materials.materials import metal
from labkit.pickup.materials.wire import COPPER_TEMPERATURE, Wire, read_wire
from labkit.pickup.predict.propagation import Prediction
from labkit.pickup.sheet import read_coil, read_output
from labkit.pickup.string.known_steel import KnownSteel, read_known_steel
from labkit.pickup.winding.capacitance import LEADS, WAX, lead
from labkit.pickup.winding.winding import TURNS, Winding, joined_winding, over_winding, read_winding

STEEL = "low-carbon steel"
"""Metal of the catalogue that slugs, screws and blades are made of."""

HotEnd = Literal["outer", "inner"]

STRING_DISTANCE = 3e-3
"""Pole face to string where the sheet states none, m."""

_SPACING = UsualRange(low=5e-3, high=60e-3)
_DISTANCE = UsualRange(low=0.5e-3, high=10e-3)


def _losses(table: Table, key: str) -> str:
    if "poles" not in table:
        table.fail(key, "names how the poles lose energy; this coil has no poles")
    return table.attempt(key, lambda: check_loss_model(table.text(key)))


_MOST_OFFSETS, _FARTHEST = 12, 5e-3


def _string_offsets(table: Table, key: str) -> tuple[float, ...]:
    parts = [part.strip() for part in table.text(key).split(",")]
    found = table.attempt(key, lambda: tuple(parse_quantity(part, "m") for part in parts))
    if not 2 <= len(found) <= _MOST_OFFSETS or any(not 0 <= offset <= _FARTHEST for offset in found):
        table.fail(
            key,
            f"must be 2 to {_MOST_OFFSETS} lengths of 0 to {1e3 * _FARTHEST:g} mm with commas between them, thinnest "
            f"string first, such as \"0 mm, 0.4 mm\"; got '{table.text(key)[:60]}'",
        )
    return found


def _string_steel(table: Table, key: str) -> KnownSteel:
    return table.attempt(key, lambda: read_known_steel(table.text(key), table.folder))


@dataclass(frozen=True, slots=True, kw_only=True)
class MoreTurns:
    """The ``then`` table of a coil: turns of another wire wound over the first ones, in the same sense."""

    turns: float = number(low=TURNS.low, high=TURNS.high, is_whole=True, meaning="turns of it")
    wire: Wire = custom(take=read_wire, form="text, or a table as of `wire`", meaning="the other wire")
    packing: float | None = number(default=None, meaning="as of the first turns where absent")


def _more_turns(table: Table, key: str) -> MoreTurns:
    inner = table.table(key)
    values = read_keys(MoreTurns, inner)
    inner.done()
    return made(MoreTurns, inner, values | {"turns": float(values["turns"])})


@dataclass(frozen=True, slots=True, kw_only=True)
class PoleBuild:
    """A pole and what it is made of.

    Attributes
    ----------
    pole : Pole
    grade : MagnetGrade or None
        None for steel.
    permeability, resistivity : SourcedValue, 1 and Ω·m
        Small-signal permeability, and resistivity.
    """

    pole: Pole
    grade: MagnetGrade | None
    permeability: SourcedValue
    resistivity: SourcedValue

    @property
    def material(self) -> str:
        """What it is made of, in words."""
        return self.grade.name if self.grade is not None else "steel"


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilBuild:
    """One coil of a build: how it is made, or (``values``) what it measures.

    Attributes
    ----------
    winding : Winding or None
    poles : Pole or None
        The row; of an uneven one its first pole, as many times as it has poles.
    each : tuple of PoleBuild
        Pole by pole, where they differ; empty for a row of equal poles.
    grade : MagnetGrade or None
        Of rod magnets.
    permeability, resistivity : SourcedValue or None, 1 and Ω·m
        Small-signal permeability and resistivity of the poles.
    losses : str
        Model of the poles' eddy currents, by name.
    then : MoreTurns or None
        As the sheet says; ``winding`` holds them already.
    tap : float or None
        As the sheet says; the two parts stand as coils of their own.
    values : Coil or None
        Instead of a build.
    facing, wound : or None
    """

    winding: Winding | None = None
    poles: Pole | None = None
    each: tuple[PoleBuild, ...] = ()
    grade: MagnetGrade | None = None
    permeability: SourcedValue | None = None
    resistivity: SourcedValue | None = None
    losses: str = custom(
        take=_losses, default=CYLINDER, form="text", meaning="model of the eddy currents in the poles, by name"
    )
    then: MoreTurns | None = custom(
        take=_more_turns,
        default=None,
        form='a table such as `{ turns = 3000, wire = "AWG 43 single build" }`',
        meaning="further turns over the first, of another wire: one coil, or two with a `tap` at the change",
    )
    tap: float | None = number(
        default=None,
        low=1,
        is_whole=True,
        is_varied=False,
        meaning="turns from the inner end to a lead brought out: coils `to_tap` and `from_tap`",
    )
    values: Coil | None = None
    facing: Facing | None = text(options=get_args(Facing), default=None, meaning="pole seen from the strings")
    wound: Wound | None = text(
        options=get_args(Wound), default=None, meaning="sense from start to finish, seen from the strings"
    )

    @property
    def kinds(self) -> tuple[PoleBuild, ...]:
        """The different poles of the row, each with how often it stands there as its count."""
        if self.poles is None or self.permeability is None or self.resistivity is None:
            return ()
        if not self.each:
            row = PoleBuild(
                pole=self.poles, grade=self.grade, permeability=self.permeability, resistivity=self.resistivity
            )
            return (row,)
        return tuple(replace(kind, pole=replace(kind.pole, count=count)) for kind, count in Counter(self.each).items())


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
    string_offsets : tuple of float, m
        How much farther each string is, thinnest first, evenly spread over the strings; empty where all are alike.
    string_steel : KnownSteel or None
        What measurements say of the strings' steel.
    hot_end : "outer" or "inner"
        Of two coils in series, of the one at the hot lead; their ends of that kind are then apart, the others joined.
    history : tuple of HistoryEvent
        What has happened to the magnets; ``charge`` counts besides.
    aged : Aged or None
        What that leaves, once the charges of poles and bar have been multiplied by it.
    output : Prediction or None, dB
        Stated by the sheet, for a build whose output is not modelled.
    tapped : CoilBuild or None
        The coil whose inner and outer part the two coils are; None for coils of their own.
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
    string_offsets: tuple[float, ...] = custom(
        take=_string_offsets,
        default=(),
        form="text of lengths",
        meaning="how much farther than that each string is, thinnest first; two lengths are the outer strings'",
    )
    string_steel: KnownSteel | None = custom(
        take=_string_steel,
        default=None,
        form="text",
        meaning="a `string steel` sheet of `labkit shim`: its path, or a name of the catalogue",
    )
    hot_end: HotEnd = text(
        options=get_args(HotEnd),
        default="outer",
        meaning="end of the winding at the hot lead: beside a grounded cover the outer one has more capacitance",
    )
    history: tuple[HistoryEvent, ...] = listed(HistoryEvent)
    aged: Aged | None = None
    output: Prediction | None = None
    tapped: CoilBuild | None = None
    data: Mapping[str, Any] = field(default_factory=dict, compare=False, repr=False)
    where: str = field(default="pickup", compare=False)
    folder: Path | None = field(default=None, compare=False)

    @property
    def wound(self) -> tuple[tuple[str, CoilBuild], ...]:
        """The coils by the names of the sheet: a tapped one is one coil here."""
        if self.tapped is None:
            return self.coils
        return ((next(iter(self.data["coil"])), self.tapped),)

    def table(self) -> Table:
        """Return a fresh reader of the sheet."""
        return Table(self.data, self.where, folder=self.folder)

    @property
    def coupling_sign(self) -> int:
        """+1 where the two coils' flux helps: in phase over opposite poles. −1 over like poles, where it opposes."""
        if self.tapped is not None:
            return 1
        facing = [coil.facing for _, coil in self.coils]
        return -1 if len(facing) == 2 and facing[0] is not None and facing[0] == facing[1] else 1

    @property
    def without_strings(self) -> PickupBuild:
        """The same pickup with nothing said of the strings over it: what is worked out from it holds for any height."""
        return replace(self, string_distance=STRING_DISTANCE, string_offsets=(), string_steel=None)

    @property
    def magnets(self) -> tuple[MagnetGrade, ...]:
        """Grades in the pickup, without repeats."""
        grades = [kind.grade for _, coil in self.coils for kind in coil.kinds] + [self.bar_grade]
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
    table.allow("sheet", "format", "summary", "source", "note", "doubt")
    values = read_keys(PickupBuild, table)
    listed = table.table("coil")
    if not 1 <= len(listed.data) <= 2:
        table.fail("coil", f"a pickup has one or two coils ([coil.NAME]); got {len(listed.data)}")
    coils = tuple((coil, read_coil_build(entry)) for coil, entry in table.each("coil"))
    two = len(coils) == 2
    if two and any(coil.tap is not None for _, coil in coils):
        table.fail("coil", "has a `tap`, which belongs to a pickup of one coil; leave it out")
    spacing, coupling = values["spacing"], values["coupling"]
    if two and spacing is None and coupling is None:
        table.fail("spacing", 'is missing; the distance between the middles of the two coils, such as "18 mm", is due')
    if not two and (spacing is not None or coupling is not None):
        table.fail("spacing" if spacing is not None else "coupling", "belongs to a pickup of two coils; this has one")
    bar, bar_grade = _read_bar(table)
    if bar is not None and two:
        if bar.place != "between":
            table.fail("bar.place", f"is between the rows of two coils; '{bar.place}' belongs to a single row")
        coils = _over_bar(table, coils)
    tapped = coils[0][1] if coils[0][1].tap is not None else None
    if tapped is not None:
        coils = _parts(table, *coils[0])
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
        tapped=tapped,
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
    then = values["then"]
    if then is not None:
        over = table.attempt(
            "then", lambda: over_winding(winding, turns=then.turns, wire=then.wire, packing=then.packing)
        )
        winding = joined_winding(winding, over)
    each = _read_poles(table) if "poles" in table else ()
    poles = None
    if each:
        faces = {made.pole.facing for made in each}
        poles = replace(each[0].pole, count=sum(made.pole.count for made in each))
        stated = each[0].grade is not None or "facing" in str(table.data["poles"])  # steel faces as its bar decides
        facing = values["facing"]
        if stated and len(faces) == 1 and facing is not None and facing != poles.facing:
            table.fail("facing", f"says {facing} and poles.facing {poles.facing}; leave one of them out")
        if len(faces) == 1:
            values["facing"] = poles.facing if stated else facing
    table.done()
    first = each[0] if each else None
    return CoilBuild(
        **values,
        winding=winding,
        poles=poles,
        each=each if len(set(each)) > 1 else (),
        grade=first.grade if first else None,
        permeability=first.permeability if first else None,
        resistivity=first.resistivity if first else None,
    )


def _read_poles(table: Table) -> tuple[PoleBuild, ...]:
    """Poles of a coil with their material: one entry for a row of equal ones, or one a pole."""
    found = []
    for pole in poles_from_sheet(table):
        named = pole.grade
        if named is not None:
            grade = table.attempt("poles.grade", lambda named=named: magnet(named))  # type: ignore[misc]
            made = PoleBuild(
                pole=pole, grade=grade, permeability=grade.signal_permeability, resistivity=grade.resistivity
            )
        else:
            steel = table.attempt("poles", lambda: metal(STEEL))
            made = PoleBuild(pole=pole, grade=None, permeability=steel.permeability, resistivity=steel.resistivity)
        found.append(made)
    return tuple(found)


def _parts(table: Table, name: str, coil: CoilBuild) -> tuple[tuple[str, CoilBuild], ...]:
    """The two parts of a tapped coil, the outer one wound over the inner."""
    assert coil.winding is not None
    assert coil.tap is not None
    whole, tap = coil.winding, coil.tap
    if coil.then is not None:
        entry = table.table("coil").table(name)
        first = read_winding(entry)
        if tap != first.turns:
            table.fail(f"coil.{name}.tap", f"must stand where the wire changes, at {first.turns:g} turns; got {tap:g}")
        second = over_winding(first, turns=coil.then.turns, wire=coil.then.wire, packing=coil.then.packing)
    else:
        if not 0 < tap < whole.turns:
            table.fail(f"coil.{name}.tap", f"must lie inside the {whole.turns:g} turns of the coil; got {tap:g}")
        first = replace(whole, turns=float(tap))
        second = over_winding(first, turns=whole.turns - tap, wire=whole.wire)
    return ("to_tap", replace(coil, winding=first)), ("from_tap", replace(coil, winding=second))


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

    Entries of a list count from 1 (``coil.main.poles.2.grade``).
    A table that does not exist yet (``cover.metal``) is begun; a misspelt coil or key is refused here or by the reader.

    Raises
    ------
    InputError
        If a name leads through something that is not a table, or names a coil that is not there.
    """
    data: dict[str, Any] = _copy(table.data)
    for name, value in changes.items():
        *parents, key = name.split(".")
        here: Any = data
        for depth, part in enumerate(parents):
            if part not in here and parents[:1] == ["coil"] and depth == 1:
                raise InputError(f"{table.where}: there is no coil '{part}'.{did_you_mean(part, here)}")
            step = _entry(here, part) if isinstance(here, list) else here.setdefault(part, {})
            if not isinstance(step, dict | list) or (isinstance(step, list) and depth == len(parents) - 1):
                raise InputError(f"{table.where}: '{name}' leads through '{part}', which is not a table")
            here = step
        if not key or isinstance(here.get(key), dict):
            near = difflib.get_close_matches(key, list(here), n=1)
            inner = ", ".join(f"{name}.{item}" for item in here.get(key, {})) or (near[0] if near else "a key")
            raise InputError(f"{table.where}: '{name}' is a table; name one of its keys: {inner}")
        here[key] = _like(here.get(key), value)
    return Table(data, table.where, table.path, table.folder)


def _entry(entries: list[Any], place: str) -> Any:
    if not place.isdecimal() or not 1 <= int(place) <= len(entries):
        raise InputError(f"a list of {len(entries)} has no entry '{place}'; they count from 1")
    return entries[int(place) - 1]


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
