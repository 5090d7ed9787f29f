"""The winding keys of a build sheet: turns, wire and bobbin as text with units, read into a `Winding`.

The wire is a catalogue name, or a table of the diameters somebody measured. Keys of poles, leads and covers are left
to their own readers; whoever reads the whole coil calls ``done`` on its table.
"""

from __future__ import annotations

from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.core.units import UsualRange
from labkit.pickup.materials.wire import Wire, wire
from labkit.pickup.winding.winding import TURNS, USUAL_PACKING, Winding

LENGTH = UsualRange(low=2e-3, high=100e-3)
RADIUS = UsualRange(low=0.5e-3, high=20e-3)
DIAMETER = UsualRange(low=20e-6, high=0.5e-3)

KEYS = (
    "turns",
    "wire",
    "packing",
    "stretch",
    "straight_length",
    "end_radius",
    "winding_height",
    "flange_radius",
)
"""The keys that `read_winding` asks for; ``packing``, ``stretch`` and ``flange_radius`` may be left out."""


def read_winding(table: Table) -> Winding:
    """Read the winding of one coil of a build sheet.

    Parameters
    ----------
    table : Table
        A coil's table; keys other than `KEYS` are not touched.

    Returns
    -------
    Winding

    Raises
    ------
    SheetError
        If a key is missing or impossible, the wire unknown, or the turns do not fit the flange.

    >>> coil = {"turns": 8000, "wire": {"bare": "63 µm", "overall": "70 µm"}, "straight_length": "52 mm"}
    >>> coil |= {"end_radius": "2.5 mm", "winding_height": "11 mm"}
    >>> round(read_winding(Table(coil, "coil")).resistance())
    5879
    """
    turns = table.number("turns", low=TURNS.low, high=TURNS.high, whole=True)
    chosen = read_wire(table)
    packing = table.number("packing", USUAL_PACKING)
    stretch = table.quantity("stretch", "1", 0.0)
    straight = table.quantity("straight_length", "m", usual=LENGTH, low=0.0)
    radius = table.quantity("end_radius", "m", usual=RADIUS)
    height = table.quantity("winding_height", "m", usual=LENGTH)
    flange = table.quantity("flange_radius", "m", None, usual=RADIUS)
    return table.attempt(
        "",
        lambda: Winding(
            turns=float(turns),
            wire=chosen,
            straight_length=straight,
            end_radius=radius,
            winding_height=height,
            packing=packing,
            stretch=stretch,
            flange_radius=flange,
        ),
    )


def read_wire(table: Table, key: str = "wire") -> Wire:
    """Read a wire: a name of the catalogue, or ``{ bare = "62.8 µm", overall = "70 µm" }`` as measured.

    Measured diameters may carry ``bare_spread`` and ``overall_spread``, half-widths of their 95 % intervals; without
    them a micrometer's 1 µm is taken.
    """
    given = table.raw(key, expected='a wire such as "AWG 42 single build"')
    if isinstance(given, str):
        return table.attempt(key, lambda: wire(given))
    own = table.table(key)
    bare = own.quantity("bare", "m", usual=DIAMETER)
    overall = own.quantity("overall", "m", usual=DIAMETER)
    # limits are three standard deviations, a 95 % half-width two
    bare_limit = 1.5 * own.quantity("bare_spread", "m", 1e-6, low=0.0)
    overall_limit = 1.5 * own.quantity("overall_spread", "m", 1e-6, low=0.0)
    name = own.text("name", "measured wire")
    own.done()

    def make() -> Wire:
        if bare_limit >= bare or overall_limit >= overall:
            raise InputError("the spread of a wire's diameter must be smaller than the diameter itself")
        return Wire(
            name=name,
            bare_min=bare - bare_limit,
            bare_nominal=bare,
            bare_max=bare + bare_limit,
            overall_min=overall - overall_limit,
            overall_nominal=overall,
            overall_max=overall + overall_limit,
        )

    return table.attempt(key, make)
