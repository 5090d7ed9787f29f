"""labkit: predict, hear, measure and compare electric-guitar pickups in a real rig.

Everything in `labkit.__all__` is the public face of the package: it stays as `docs/plugins/stability.md` promises.
Each name is loaded when it is first used, so that importing labkit costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from labkit.bench.diagnose.diagnose import diagnose_readings
    from labkit.bench.diagnose.meter import expected_lcr
    from labkit.bench.diagnose.readings import load_plan, load_readings
    from labkit.bench.fit.fit import Fit, fit_sheet_text, fit_sweeps
    from labkit.bench.fit.fixture import Fixture, Measurement, parse_load
    from labkit.bench.read.sweep_reader import read_sweep
    from labkit.bench.sets import level_balance, set_phases
    from labkit.book.store import Book, new_book, open_book
    from labkit.cases.runner import load_cases, run_cases
    from labkit.catalogue.named import find_sheet
    from labkit.circuit.elements import Circuit
    from labkit.circuit.formula.formula import formula
    from labkit.circuit.spice.deck import spice_deck
    from labkit.core.errors import InputError, LabkitError
    from labkit.core.grid import frequency_grid
    from labkit.core.response import Response
    from labkit.core.sourced import Interval, SourcedValue
    from labkit.core.units import format_quantity, parse_quantity
    from labkit.core.wav import write_wav
    from labkit.pickup.electrical import Coil, Pickup
    from labkit.pickup.predict.bench import string_levels_db
    from labkit.pickup.predict.built import BuiltPickup, load_built
    from labkit.pickup.winding.open_coil import OpenCoil, identify_coil
    from labkit.pickup.winding.winding import Winding
    from labkit.rig.hum import hum_residual
    from labkit.rig.rig import Rig
    from labkit.rig.sheet import load_pickup, load_rig, set_value
    from labkit.sound.loudness import match_loudness
    from labkit.sound.render.rig_sound import play
    from labkit.sound.render.string_drive import driven_response, level_change
    from labkit.sound.take.sheet import load_take
    from labkit.study.questions.ready import (
        capacitance_for_cable,
        load_for_pots,
        longest_cable,
        tone_capacitor_for_hump,
    )
    from labkit.study.questions.winding import turns_and_wire
    from labkit.study.search.goal import load_goal
    from labkit.study.search.search import run_search
    from labkit.study.tolerance.tolerance import run_tolerance, tolerance_study
    from labkit.view.curve.plot import plot_responses, write_plot
    from labkit.view.notebook import notebook_html

__version__ = "0.1.0"

_HOMES = {
    "bench.diagnose.diagnose": ("diagnose_readings",),
    "bench.fit.fit": ("Fit", "fit_sheet_text", "fit_sweeps"),
    "bench.fit.fixture": ("Fixture", "Measurement", "parse_load"),
    "bench.diagnose.meter": ("expected_lcr",),
    "bench.diagnose.readings": ("load_plan", "load_readings"),
    "bench.sets": ("level_balance", "set_phases"),
    "bench.read.sweep_reader": ("read_sweep",),
    "book.store": ("Book", "new_book", "open_book"),
    "cases.runner": ("load_cases", "run_cases"),
    "catalogue.named": ("find_sheet",),
    "circuit.elements": ("Circuit",),
    "circuit.formula.formula": ("formula",),
    "circuit.spice.deck": ("spice_deck",),
    "core.errors": ("InputError", "LabkitError"),
    "core.grid": ("frequency_grid",),
    "core.response": ("Response",),
    "core.sourced": ("Interval", "SourcedValue"),
    "core.units": ("format_quantity", "parse_quantity"),
    "core.wav": ("write_wav",),
    "pickup.predict.built": ("BuiltPickup", "load_built"),
    "pickup.predict.bench": ("string_levels_db",),
    "pickup.electrical": ("Coil", "Pickup"),
    "pickup.winding.open_coil": ("OpenCoil", "identify_coil"),
    "pickup.winding.winding": ("Winding",),
    "rig.hum": ("hum_residual",),
    "rig.rig": ("Rig",),
    "rig.sheet": ("load_pickup", "load_rig", "set_value"),
    "sound.loudness": ("match_loudness",),
    "sound.render.rig_sound": ("play",),
    "sound.render.string_drive": ("driven_response", "level_change"),
    "sound.take.sheet": ("load_take",),
    "study.search.goal": ("load_goal",),
    "study.questions.ready": ("capacitance_for_cable", "load_for_pots", "longest_cable", "tone_capacitor_for_hump"),
    "study.search.search": ("run_search",),
    "study.tolerance.tolerance": ("run_tolerance", "tolerance_study"),
    "study.questions.winding": ("turns_and_wire",),
    "view.curve.plot": ("plot_responses", "write_plot"),
    "view.notebook": ("notebook_html",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Book",
    "BuiltPickup",
    "Circuit",
    "Coil",
    "Fit",
    "Fixture",
    "InputError",
    "Interval",
    "LabkitError",
    "Measurement",
    "OpenCoil",
    "Pickup",
    "Response",
    "Rig",
    "SourcedValue",
    "Winding",
    "capacitance_for_cable",
    "diagnose_readings",
    "driven_response",
    "expected_lcr",
    "find_sheet",
    "fit_sheet_text",
    "fit_sweeps",
    "format_quantity",
    "formula",
    "frequency_grid",
    "hum_residual",
    "identify_coil",
    "level_balance",
    "level_change",
    "load_built",
    "load_cases",
    "load_for_pots",
    "load_goal",
    "load_pickup",
    "load_plan",
    "load_readings",
    "load_rig",
    "load_take",
    "longest_cable",
    "match_loudness",
    "new_book",
    "notebook_html",
    "open_book",
    "parse_load",
    "parse_quantity",
    "play",
    "plot_responses",
    "read_sweep",
    "run_cases",
    "run_search",
    "run_tolerance",
    "set_phases",
    "set_value",
    "spice_deck",
    "string_levels_db",
    "tolerance_study",
    "tone_capacitor_for_hump",
    "turns_and_wire",
    "write_plot",
    "write_wav",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'labkit' has no attribute '{name}'")
    found = getattr(import_module(f"labkit.{_HOME_OF[name]}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
