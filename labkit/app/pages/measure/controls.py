"""Controls of the measure page: how sweeps were taken, and what single readings said.

All belong to the page itself (``own.``). Positions that are no quantity (not read, none, not known) stand at values
no instrument shows; `is_given` tells them apart.
"""

from __future__ import annotations

from labkit.app.kit.controls import PLAIN, Control, ControlSet, Group, Value, log_positions, with_value
from labkit.app.pages.measure.lifts import LIFT_DEFAULTS, lift_groups
from labkit.app.pages.measure.sweeps import (
    DEMO_METER_CAPACITANCE,
    DEMO_METER_RESISTANCE,
    DEMO_RESISTANCE,
    FIND_HZ,
    NOT_KNOWN_F,
)
from labkit.catalogue import catalogue
from labkit.core.errors import capitalized
from labkit.core.units import format_quantity

MOST_SWEEPS = 4
"""One colour each; more loads than these add nothing to a fit."""


OPEN_OHM = 1e12
"""Position "open": beyond every ohmmeter."""

POLES = 6

PIECES = 3
"""Reference pieces of a meter in marks; a readings sheet takes more."""

SCALE = Control(
    key="own.scale",
    label="Field meter shows",
    kind="switch",
    positions=("field", "marks"),
    names=("mT or gauss", "Marks of its own"),
)

BENCH = Control(
    key="own.bench",
    label="What you have",
    kind="switch",
    positions=("sweeps", "readings", "recordings", "lifts"),
    names=("Sweeps", "Single readings", "A sound interface", "A shim under the strings"),
)

_E3 = (1.0, 2.2, 4.7)
_SMALL = log_positions(10e-12, 22e-9, (1.0, 1.5, 2.2, 3.3, 4.7, 6.8))
_OHMS = log_positions(1e3, 20e3, tuple(round(1 + 0.1 * step, 1) for step in range(90)))


def _with_nothing(name: str, positions: tuple[float, ...], unit: str) -> dict[str, object]:
    return {
        "positions": (0.0, *positions),
        "names": (
            name,
            *(f"{value:.4g}" if unit == PLAIN else format_quantity(float(f"{value:.4g}"), unit) for value in positions),
        ),
        "unit": unit,
        "low": 0.0,
    }


def _choice(key: str, label: str, nothing: str, positions: tuple[float, ...], unit: str, **more: object) -> Control:
    return Control(key=key, label=label, kind="choice", **_with_nothing(nothing, positions, unit), **more)  # type: ignore[arg-type]


def _slider(key: str, label: str, positions: tuple[float, ...], unit: str, **more: object) -> Control:
    return Control(key=key, label=label, kind="slider", **_with_nothing("not read", positions, unit), **more)  # type: ignore[arg-type]


def _words(key: str, label: str, positions: tuple[str, ...], names: tuple[str, ...] = ()) -> Control:
    return Control(key=key, label=label, kind="choice", positions=positions, names=names)


FIXTURE = (
    _words(
        "own.kind",
        "The sweep is",
        ("file", "impedance", "divider", "exciter"),
        ("as the file says", "an impedance", "taken through a resistor", "taken with an exciter coil"),
    ),
    _choice("own.series", "Series resistor", "none", (100e3, 220e3, 470e3, 1e6, 2.2e6), "Ω", high=100e6),
    Control(
        key="own.integrated",
        label="Exciter's rise with frequency",
        kind="switch",
        positions=("in", "out"),
        names=("In the curve", "Taken out"),
    ),
    Control(
        key="own.corner",
        label="Exciter rig rolls off at",
        kind="choice",
        positions=(0.0, FIND_HZ, 5e3, 10e3, 20e3, 50e3),
        names=("nowhere", "find it", "5 kHz", "10 kHz", "20 kHz", "50 kHz"),
        unit="Hz",
        low=0.0,
        high=1e6,
    ),
    _choice("own.meter_r", "Meter input", "not known", (100e3, 1e6, 10e6), "Ω", high=1e9),
    Control(
        key="own.meter_c",
        label="Meter and probe capacitance",
        kind="choice",
        positions=(0.0, NOT_KNOWN_F, 10e-12, 20e-12, 30e-12, 50e-12, 100e-12),
        names=("compensated", "not known", "10 pF", "20 pF", "30 pF", "50 pF", "100 pF"),
        unit="F",
        low=0.0,
        high=5e-9,
    ),
)

LOAD_GOOD = _words(
    "own.load_good",
    "Load and series parts are good to",
    ("0", "0.2", "1", "2", "5", "10"),
    ("not known: 5 and 10 %", "0.2 %, measured", "1 %", "2 %", "5 %", "10 %"),
)
DCR = _slider("own.dcr", "Resistance by ohmmeter", _OHMS, "Ω", high=100e3)
DCR_GOOD = _words("own.dcr_good", "Ohmmeter good to", ("0.2", "0.5", "1", "2"), ("0.2 %", "0.5 %", "1 %", "2 %"))
SECTIONS = _words(
    "own.sections",
    "Eddy sections",
    ("auto", "0", "1", "2"),
    ("as the data ask", "none", "one", "two"),
)

RECORDED_SERIES = _choice(
    "own.recorded_series", "Series resistor", "none", (100e3, 220e3, 330e3, 470e3, 1e6), "Ω", high=10e6
)
RECORDED_GOOD = _words(
    "own.recorded_good",
    "Series resistor is good to",
    ("0.1", "0.5", "1", "2", "5"),
    ("0.1 %", "0.5 %, measured", "1 %", "2 %", "5 %"),
)
RECORDED_DCR = _slider("own.recorded_dcr", "Resistance by ohmmeter", _OHMS, "Ω", high=100e3)
RECORDED = (RECORDED_SERIES, RECORDED_GOOD, RECORDED_DCR)

READING = (
    *(
        _words(
            f"own.{role}_column",
            f"{capitalized(role)} is in",
            ("found", *"123456"),
            ("as found", *(f"column {n}" for n in "123456")),
        )
        for role in ("frequency", "magnitude", "phase")
    ),
    _words(
        "own.frequency_unit",
        "Frequency in",
        ("found", "Hz", "kHz", "MHz", "rad/s", "log10 Hz"),
        ("as found", "Hz", "kHz", "MHz", "rad/s", "its logarithm"),
    ),
    _words(
        "own.magnitude_unit",
        "Magnitude in",
        ("found", "dB", "linear", "ohm", "kohm", "Mohm", "dBohm", "volt", "millivolt"),
        ("as found", "dB", "a ratio", "Ω", "kΩ", "MΩ", "dB over 1 Ω", "V", "mV"),
    ),
    _words("own.phase_unit", "Phase in", ("found", "deg", "rad"), ("as found", "degrees", "radians")),
)


def load_controls(slot: int) -> tuple[Control, Control]:
    """Return resistor and capacitor across the pickup in one sweep."""
    return (
        _choice(
            f"own.load_r{slot}",
            "Resistor across it",
            "none",
            with_value(log_positions(10e3, 10e6, _E3), 200e3),
            "Ω",
            high=100e6,
        ),
        _choice(f"own.load_c{slot}", "Capacitor across it", "none", _SMALL, "F", high=1e-6),
    )


def _field_controls(scale: str | None) -> tuple[Control, ...]:
    """Return the controls of a field meter that shows a field, marks of its own, or (None) of both."""
    mT = tuple(round(5e-4 * step, 6) for step in range(10, 301))
    marks = tuple(0.5 * step for step in range(1, 241))
    poles = range(1, POLES + 1)
    gap = Control(
        key="own.gap",
        label="Gap, pole to probe",
        kind="slider",
        positions=tuple(round(1e-4 * step, 5) for step in range(61)),
        unit="m",
        low=0.0,
        high=0.02,
        bare_unit="mm",
    )
    in_tesla = (
        *(_slider(f"own.pole{number}", f"Pole {number}", mT, "T", high=1.0) for number in poles),
        _slider("own.ref_known", "Reference piece is", mT, "T", high=1.0),
        _slider("own.ref_read", "My meter reads it as", mT, "T", high=1.0),
    )
    grades = ("none", *catalogue().usable_names("magnet"))
    in_marks = (
        *(_slider(f"own.marks{number}", f"Pole {number}, marks", marks, PLAIN, high=1e6) for number in poles),
        *(
            control
            for number in range(1, PIECES + 1)
            for control in (
                _words(f"own.piece{number}", f"Charged piece {number} is", grades),
                _slider(f"own.piece_read{number}", f"Piece {number} reads, marks", marks, PLAIN, high=1e6),
            )
        ),
    )
    offered = {"field": in_tesla, "marks": in_marks, None: (*in_tesla, *in_marks)}[scale]
    return (SCALE, gap, *offered)


def reading_groups(plans: tuple[str, ...], scale: str | None = None) -> tuple[Group, ...]:
    """Return the groups of single readings, for plans to choose from and a field meter's scale (None for both)."""
    open_ = {
        "positions": (0.0, *_OHMS, OPEN_OHM),
        "names": ("not read", *(format_quantity(float(f"{ohm:.4g}"), "Ω") for ohm in _OHMS), "open"),
        "unit": "Ω",
        "low": 0.0,
        "high": OPEN_OHM,
    }
    return (
        Group(title="Plan", controls=(_words("own.plan", "It should be", plans),)),
        Group(
            title="Ohmmeter",
            controls=(
                Control(key="own.ohms", label="DC resistance", kind="slider", **open_),  # type: ignore[arg-type]
                _choice(
                    "own.pot", "Read through", "nothing, its own leads", (125e3, 250e3, 500e3, 1e6), "Ω", high=10e6
                ),
                _slider(
                    "own.celsius",
                    "Temperature of the coil",
                    tuple(float(t) for t in range(5, 41)),
                    "°C",
                    high=60.0,
                    bare_unit="°C",
                ),
                Control(
                    key="own.insulation",
                    label="Coil to metal",
                    kind="choice",
                    positions=(0.0, OPEN_OHM, 10e6, 100e3, 100.0),
                    names=("not read", "open", "10 MΩ", "100 kΩ", "100 Ω"),
                    unit="Ω",
                    low=0.0,
                    high=OPEN_OHM,
                ),
            ),
            note="Low-voltage ohmmeter only: an insulation tester can destroy an old coil.",
        ),
        Group(
            title="Inductance meter",
            controls=(
                _slider(
                    "own.henry", "Inductance", tuple(round(0.05 * step, 2) for step in range(10, 241)), "H", high=100.0
                ),
                Control(
                    key="own.at",
                    label="Read at",
                    kind="choice",
                    positions=(100.0, 120.0, 1e3, 10e3),
                    unit="Hz",
                    low=10.0,
                    high=100e3,
                ),
                Control(
                    key="own.model",
                    label="Meter's model",
                    kind="switch",
                    positions=("series", "parallel"),
                    names=("Series", "Parallel"),
                ),
                _slider("own.quality", "Q", tuple(round(0.1 * step, 1) for step in range(1, 101)), PLAIN, high=100.0),
            ),
        ),
        Group(
            title="Field over the poles",
            controls=_field_controls(scale),
            note=(
                "A charged piece is a fully charged magnet built like the plan and read in the same place, best of the "
                "plan's own grade: another grade stands in by the field model, within 40 %. "
                if scale == "marks"
                else "Gauss may be typed: 650 G is 65 mT. "
            )
            + "Magnetisers can kill and throw parts: trained persons only.",
        ),
        Group(
            title="Polarity and phase",
            controls=(
                _words("own.facing", "Facing the strings", ("not read", "north", "south")),
                _words("own.swing", "First swing, steel to the pole", ("not read", "positive", "negative")),
                _words("own.planned_swing", "It should swing", ("positive", "negative")),
                _words("own.thin", "Thin sound through an open coil", ("not read", "yes", "no")),
            ),
        ),
    )


READING_DEFAULTS: dict[str, Value] = {
    "own.plan": "narrow single coil, built",
    "own.ohms": 5940.0,
    "own.pot": 0.0,
    "own.celsius": 24.0,
    "own.insulation": OPEN_OHM,
    "own.henry": 2.2,
    "own.at": 1e3,
    "own.model": "series",
    "own.quality": 0.0,
    **{f"own.pole{number}": field for number, field in enumerate((0.061, 0.066, 0.067, 0.066, 0.065, 0.06), start=1)},
    "own.gap": 0.0,
    "own.scale": "field",
    **{f"own.marks{number}": marks for number, marks in enumerate((46.0, 50.0, 51.0, 50.0, 49.0, 45.5), start=1)},
    **{f"own.piece{number}": "none" for number in range(2, PIECES + 1)},
    **{f"own.piece_read{number}": 0.0 for number in range(2, PIECES + 1)},
    "own.piece1": "Alnico 5",
    "own.piece_read1": 55.0,
    "own.ref_known": 0.05,
    "own.ref_read": 0.049,
    "own.facing": "north",
    "own.swing": "positive",
    "own.planned_swing": "positive",
    "own.thin": "not read",
}
"""An aged single coil of the winding room at Saltmarsh Lane: invented."""


def sweep_defaults(is_demo: bool) -> dict[str, Value]:
    """Return where the controls of sweeps stand at first: as the demo was taken, or with nothing said."""
    defaults: dict[str, Value] = {
        "own.bench": "sweeps",
        "own.kind": "file",
        "own.series": 1e6,
        "own.integrated": "in",
        "own.corner": 0.0,
        "own.meter_r": DEMO_METER_RESISTANCE if is_demo else 0.0,
        "own.meter_c": DEMO_METER_CAPACITANCE if is_demo else NOT_KNOWN_F,
        "own.load_good": "0",
        "own.dcr": DEMO_RESISTANCE if is_demo else 0.0,
        "own.dcr_good": "0.5",
        "own.sections": "auto",
        "own.recorded_series": 220e3,
        "own.recorded_good": "1",
        "own.recorded_dcr": 0.0,
        **LIFT_DEFAULTS,
        **{control.key: "found" for control in READING},
    }
    for slot in range(1, MOST_SWEEPS + 1):
        resistor, capacitor = load_controls(slot)
        defaults[resistor.key] = 200e3 if is_demo and slot == 2 else 0.0
        defaults[capacitor.key] = 470e-12 if is_demo and slot == 2 else 0.0
    return defaults


def every_control(plans: tuple[str, ...], builds: tuple[str, ...]) -> ControlSet:
    """Return all controls of the page; `shown_groups` picks those that are needed."""
    loads = tuple(control for slot in range(1, MOST_SWEEPS + 1) for control in load_controls(slot))
    return ControlSet(
        (
            Group(
                title="", controls=(BENCH, *FIXTURE, LOAD_GOOD, DCR, DCR_GOOD, SECTIONS, *RECORDED, *READING, *loads)
            ),
            *reading_groups(plans),
            *lift_groups(builds),
        )
    )


def shown_groups(
    *,
    bench: str,
    kinds: set[str],
    sweeps: tuple[tuple[int, str], ...],
    asks: bool,
    plans: tuple[str, ...],
    builds: tuple[str, ...],
    scale: str,
) -> ControlSet:
    """Return the controls that matter now.

    Parameters
    ----------
    bench : "sweeps", "readings", "recordings" or "lifts"
    kinds : set of str
        Of the sweeps.
    sweeps : tuple of (int, str)
        Slot and name of each sweep.
    asks : bool
        Whether a file could be read in two ways, or a choice was made about it.
    plans, builds : tuple of str
        What readings, and lifted strings, may be held against.
    scale : "field" or "marks"
        Of the field meter.
    """
    what = Group(title="On the bench", controls=(BENCH,))
    if bench == "readings":
        return ControlSet((what, *reading_groups(plans, scale)))
    if bench == "lifts":
        return ControlSet((what, *lift_groups(builds)))
    if bench == "recordings":
        wiring = Group(
            title="Wiring",
            controls=(RECORDED_SERIES, RECORDED_GOOD),
            note="R, L and 1/C go with this resistor: read it on the ohmmeter, and say how good that meter is.",
        )
        return ControlSet((what, wiring, Group(title="Fit", controls=(RECORDED_DCR, DCR_GOOD, SECTIONS))))
    only = {"own.series": "divider", "own.integrated": "exciter", "own.corner": "exciter"}
    fixture = tuple(control for control in FIXTURE if only.get(control.key, "") in ("", *kinds))
    groups = [what]
    if asks:
        groups.append(Group(title="How to read the files", controls=READING))
    groups.append(Group(title="How it was measured", controls=fixture))
    groups += [Group(title=f"Load in {name}", controls=load_controls(slot)) for slot, name in sweeps]
    groups.append(
        Group(
            title="Fit",
            controls=(*((LOAD_GOOD,) if sweeps else ()), DCR, DCR_GOOD, SECTIONS),
            note="Read the resistance with the pickup disconnected and not warm from the hand: 10 °C are 3.9 %.",
        )
    )
    return ControlSet(tuple(groups))
