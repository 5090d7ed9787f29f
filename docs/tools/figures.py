"""Generates the figures of the explanations, through the drawings of `labkit.view`: small SVGs with real text.

    python -m docs.tools.figures

Everything drawn is computed here and now; the demo instruments are those of the catalogue.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from labkit.app.pages.measure.sweeps import demo_files, demo_fit, demo_fixture
from labkit.bench.fit.fixture import Measurement
from labkit.bench.read.sweep_reader import parse_sweep
from labkit.core.grid import frequency_grid
from labkit.core.response import Response, gain_db
from labkit.pickup.magnetics.field import axis_field
from labkit.pickup.magnetics.magnet import magnet, operating_point
from labkit.pickup.magnetics.slices import Rods, row_positions
from labkit.pickup.materials.wire import wire
from labkit.pickup.network import LOAD_CAPACITANCE, LOAD_RESISTANCE, loaded_response
from labkit.pickup.predict.built import load_built
from labkit.pickup.winding.winding import Winding
from labkit.rig.parts.taper import parse_taper
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, set_value
from labkit.sound.take.take import USUAL_PLACES, coil_factor
from labkit.study.tolerance.tolerance import run_tolerance, tolerance_study
from labkit.view.curve.curve import BENCH_DB, RIG_DB, Curve, draw_curves
from labkit.view.curve.knob_plot import KnobLine, draw_knob_plot
from labkit.view.drawings.bobbin import CoilOutline, draw_bobbin
from labkit.view.palette import NOW, PINS
from labkit.view.words import read_response

FOLDER = Path(__file__).resolve().parents[1] / "figures"

SINGLE = "Saltmarsh Lane, narrow single coil"
BUILT = "narrow single coil, built"
STYLES = (NOW, *PINS)
SIZE = {"width": 760, "height": 340}


def _rig(**changes: str) -> Rig:
    """The bench instrument with changes; a dot of a name is written as two underscores."""
    rig = load_rig(SINGLE)
    for name, value in changes.items():
        rig = set_value(rig, name.replace("__", "."), value)
    return rig


def _responses(
    found: Mapping[str, Response], title: str, description: str, levels: tuple[float, float] = RIG_DB
) -> str:
    curves = [
        Curve(
            frequency_hz=response.frequency_hz,
            gain_db=response.gain_db,
            label=label,
            style=style,
            reading=read_response(response),
        )
        for style, (label, response) in zip(STYLES, found.items(), strict=False)
    ]
    return draw_curves(curves, title=title, description=description, levels=levels, **SIZE)


def cable_lengths() -> str:
    """The bench instrument through cables of four lengths."""
    found = {f"{metres} m": _rig(cable__length=f"{metres} m").response() for metres in (5, 1, 3, 10)}
    return _responses(found, "Cables of four lengths", "The longer the cable, the lower the peak; bass does not move.")


def inputs() -> str:
    """The bench instrument into four input resistances."""
    found = {f"{value} input": _rig(input__resistance=value).response() for value in ("1 MΩ", "500 kΩ", "220 kΩ")}
    return _responses(found, "Three inputs", "A lower input resistance lowers the peak and hardly moves it sideways.")


def pot_values() -> str:
    """Volume and tone pots of three values, fully up."""
    found = {value: _rig(volume__value=value, tone__value=value).response() for value in ("250 kΩ", "500 kΩ", "1 MΩ")}
    return _responses(found, "Pots of three values, all fully up", "Higher pots leave a higher peak.")


def volume_turned_down() -> str:
    """The volume knob at four positions."""
    found = {f"volume {turn}": _rig(volume=str(turn)).response() for turn in (10, 8, 6, 4)}
    return _responses(found, "Volume turned down", "Turned down, the rig loses treble as well as level.")


def tone_capacitors() -> str:
    """Tone at 0 with four capacitors."""
    values = ("22 nF", "4.7 nF", "10 nF", "47 nF")
    found = {value: _rig(tone="0", tone_capacitor=value).response() for value in values}
    return _responses(found, "Tone at 0, four capacitors", "At 0 the capacitor sets where a low hump sits.")


def losses() -> str:
    """One built single coil: no eddy losses, its own, and under two covers."""
    cover = {"cover.thickness": "0.4 mm", "cover.gap": "1.2 mm"}
    builds: Mapping[str, Mapping[str, str]] = {
        "as built": {},
        "poles without loss": {"coil.main.losses": "none"},
        "nickel silver cover": {"cover.metal": "nickel silver", **cover},
        "brass cover": {"cover.metal": "brass", **cover},
    }
    found = {label: _loaded(changes) for label, changes in builds.items()}
    return _responses(found, "What eddy currents take", "Losses in poles and covers lower the peak of a loaded coil.")


def magnets() -> str:
    """One built single coil with rods of three grades."""
    found = {grade: _loaded({"coil.main.poles.grade": grade}) for grade in ("Alnico 5", "Alnico 2", "Alnico 8")}
    return _responses(found, "Three grades in one coil", "The grade moves the inductance, and so the peak.")


def bare_and_loaded() -> str:
    """One built single coil with nothing connected and into the load of the bench."""
    pickup = load_built(BUILT).pickup
    found = {"470 pF, 200 kΩ": _loaded({}), "nothing connected": _audible(loaded_response(pickup))}
    return _responses(found, "Bare and loaded", "The bare coil peaks higher and more sharply.", BENCH_DB)


def _loaded(changes: Mapping[str, str]) -> Response:
    pickup = load_built(BUILT, dict(changes)).pickup
    return _audible(loaded_response(pickup, resistance=LOAD_RESISTANCE, capacitance=LOAD_CAPACITANCE))


def _audible(response: Response) -> Response:
    """The part of a curve that the drawing has room for."""
    heard = response.frequency_hz <= 20_000.0
    return Response(frequency_hz=response.frequency_hz[heard], values=response.values[heard], name=response.name)


def tolerance_band() -> str:
    """What the tolerances of the bench instrument's parts do to its curve."""
    result = run_tolerance(tolerance_study(load_rig(SINGLE), count=4096, points=128))
    low, median, high = result.bands_db
    curve = Curve(
        frequency_hz=result.study.frequency_hz, gain_db=median, label="median", low_db=low, high_db=high, style=NOW
    )
    nominal = Curve(
        frequency_hz=result.study.frequency_hz, gain_db=result.study.nominal_db, label="nominal", style=PINS[0]
    )
    words = "Nine of ten instruments lie inside the band, which is widest around the peak."
    return draw_curves(
        [curve, nominal],
        title="Band of tolerances",
        description=words,
        low_hz=1000.0,
        high_hz=10_000.0,
        levels=(-12.0, 6.0),
        **SIZE,
    )


def pickup_places() -> str:
    """How strongly a coil at three places hears each frequency of the open low string."""
    length, fundamental = 25.5 * 0.0254, 82.41
    frequency = frequency_grid(60.0, 6000.0, 600)
    curves = []
    for style, (name, place) in zip(STYLES, USUAL_PLACES.items(), strict=False):
        factor = coil_factor(number=frequency / fundamental, length=length, position=place, aperture=0.010)
        level = np.maximum(gain_db(factor.astype(complex)), -60.0)
        curves.append(Curve(frequency_hz=frequency, gain_db=level, label=name, style=style))
    words = "A coil far from the bridge hears low partials best and misses some higher ones."
    return draw_curves(
        curves, title="Three places under the low E", description=words, low_hz=60.0, high_hz=6000.0, **SIZE
    )


def fitted_sweep() -> str:
    """The demo sweeps as points, and the fit as lines."""
    measurements = [
        Measurement(sweep=parse_sweep(file.content.decode(), name=file.name), fixture=demo_fixture(file.name))
        for file in demo_files()
    ]
    fit = demo_fit(measurements)
    curves = []
    for style, measurement, residual in zip(STYLES, measurements, fit.residuals, strict=False):
        frequency = residual.frequency_hz
        inside = np.isin(measurement.sweep.frequency_hz, frequency)
        measured = measurement.sweep.level_db[inside]
        bare = not measurement.fixture.load.capacitance
        label = "bare" if bare else "200 kΩ, 470 pF"
        curves.append(Curve(frequency_hz=frequency, gain_db=measured - residual.level_db, label=label, style=style))
        points = Curve(frequency_hz=frequency, gain_db=measured, label="", style=style, is_measured=True)
        curves.append(points)
    words = "Points were measured, lines were fitted: one set of R, L, C and losses follows both loads."
    return draw_curves(curves, title="A fit to two sweeps", description=words, levels=BENCH_DB, **SIZE)


def tapers() -> str:
    """Four laws of a pot."""
    turn = np.linspace(0.0, 10.0, 101)
    names = ("audio 10 %", "linear", "audio 30 %", "reverse audio 10 %")
    lines = [
        KnobLine(position=turn, value=100 * np.asarray(parse_taper(name)(turn / 10)), label=name, style=style)
        for style, name in zip(STYLES, names, strict=True)
    ]
    words = "An audio taper leaves most of its track to the upper half of the turn."
    return draw_knob_plot(
        lines, title="Tapers", description=words, low=0, high=100, step=20, unit=" %", axis="knob: part below the wiper"
    )


def field_over_pole() -> str:
    """The field over six full rods of three grades, by distance."""
    rods = Rods(positions=row_positions(count=6, pitch=10.4e-3), radius=2.4e-3, length=17e-3)
    distance = np.linspace(0.5, 10.0, 96)
    lines = []
    for style, grade in zip(STYLES, ("Alnico 5", "Alnico 2", "Alnico 3"), strict=False):
        state = operating_point(rods, magnet(grade))
        field = axis_field(rods, magnetisation=state.magnetisation, distance=distance * 1e-3).mean(axis=0)
        lines.append(KnobLine(position=distance, value=1e3 * field, label=grade, style=style))
    words = "The field halves about every two millimetres."
    return draw_knob_plot(
        lines,
        title="Field over a pole",
        description=words,
        low=0,
        high=120,
        step=20,
        unit="",
        axis="distance in mm (field in mT)",
    )


def coil_section() -> str:
    """The built demo coil on its bobbin."""
    winding = Winding(
        turns=8000, wire=wire("AWG 42 single build"), straight_length=52e-3, end_radius=2.5e-3, winding_height=11e-3
    )
    made = load_built(BUILT)
    poles = next(iter(dict(made.build.coils).values())).poles
    outline = CoilOutline(
        name="main",
        straight_length=winding.straight_length,
        end_radius=winding.end_radius,
        winding_height=winding.winding_height,
        build_up=winding.build_up,
        flange_radius=7.4e-3,
        poles=poles,
    )
    return draw_bobbin([outline], title="8000 turns of AWG 42 on a narrow bobbin", width=760)


FIGURES: Mapping[str, Callable[[], str]] = {
    "cable-lengths": cable_lengths,
    "inputs": inputs,
    "pot-values": pot_values,
    "volume-turned-down": volume_turned_down,
    "tone-capacitors": tone_capacitors,
    "losses": losses,
    "magnets": magnets,
    "bare-and-loaded": bare_and_loaded,
    "tolerance-band": tolerance_band,
    "pickup-places": pickup_places,
    "fitted-sweep": fitted_sweep,
    "tapers": tapers,
    "field-over-pole": field_over_pole,
    "coil-section": coil_section,
}
"""Every figure by the name of its file."""


def generate() -> dict[Path, str]:
    """Return every figure's file and text."""
    return {FOLDER / f"{name}.svg": _document(draw()) for name, draw in FIGURES.items()}


def main() -> None:
    """Write every figure, and remove those that no function makes any more."""
    files = generate()
    FOLDER.mkdir(exist_ok=True)
    for old in FOLDER.glob("*.svg"):
        if old not in files:
            old.unlink()
    for path, text in files.items():
        path.write_text(text, encoding="utf-8")


def _document(svg: str) -> str:
    """Return an SVG element as a document of its own."""
    return (svg if "xmlns=" in svg else svg.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1)) + "\n"


if __name__ == "__main__":
    main()
