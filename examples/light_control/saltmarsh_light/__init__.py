"""A light-operated tone control for labkit: the hooks, and nothing else.

Every import stands inside its function, so that the lab opens as fast with this plugin as without it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from labkit.plugins import hookimpl


@hookimpl
def labkit_catalogue_folders() -> Iterable[Path]:
    """Cells, a harness, a rig, a pickup and a reference case."""
    return [Path(__file__).parent / "sheets"]


@hookimpl
def labkit_sheet_kinds() -> Mapping[str, Callable[[Any], object]]:
    """Sheets of light cells."""
    from saltmarsh_light.light_cell import read_light_cell

    return {"light cell": read_light_cell}


@hookimpl
def labkit_part_kinds() -> Iterable[type]:
    """The light-dependent resistor as a part of a harness."""
    from saltmarsh_light.light_resistor import LightResistor

    return [LightResistor]


@hookimpl
def labkit_chain_kinds() -> Iterable[type]:
    """A resistor in the line."""
    from saltmarsh_light.series_resistor import SeriesResistor

    return [SeriesResistor]


@hookimpl
def labkit_loss_models() -> Mapping[str, Callable[..., Any]]:
    """Eddy currents in a blade."""
    from saltmarsh_light.sheet_losses import sheet_permeability

    return {"conducting sheet": sheet_permeability}


@hookimpl
def labkit_sweep_readers() -> Mapping[str, Any]:
    """Files of the bench log."""
    from saltmarsh_light.bench_log import BenchLogReader

    return {"bench log": BenchLogReader()}


@hookimpl
def labkit_takes() -> Mapping[str, Callable[[], Any]]:
    """A drone on two strings."""
    from saltmarsh_light.drone import drone

    return {"drone": drone}


@hookimpl
def labkit_panels() -> Iterable[Any]:
    """The page of the light-operated tone control."""
    from labkit.app.kit.panels import Panel

    def make() -> Any:
        from saltmarsh_light.light_panel import light_panel

        return light_panel()

    return [
        Panel(
            name="light-tone",
            title="Light tone",
            task="Shade the cell and see how far the peak moves.",
            make=make,
        )
    ]


@hookimpl
def labkit_case_checks() -> Mapping[str, Callable[[Mapping[str, Any]], Mapping[str, float]]]:
    """The check behind the reference case of the cells."""
    from saltmarsh_light.light_cell import check_light_cell

    return {"light cell": check_light_cell}
