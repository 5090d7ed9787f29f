"""What the explanations print, put together from the code: a number that changes there makes its page fail."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import numpy as np
import pytest

from labkit.bench.diagnose import diagnose, faults, meter
from labkit.bench.fit import fixture
from labkit.bench.fit import warnings as fit_warnings
from labkit.book import chart, entry, matching, records, stock
from labkit.book.learn import batch
from labkit.book.learn.levels import DRIFT_MONTHS, SHARES
from labkit.book.learn.prediction import CONFLICT
from labkit.circuit.elements import GROUND, Circuit, Resistor, Source
from labkit.circuit.solve.noise import thermal_noise
from labkit.circuit.solve.solver import solve
from labkit.core.sheet import Table
from labkit.core.units import format_quantity
from labkit.pickup.losses import cylinder as losses
from labkit.pickup.losses import plates
from labkit.pickup.magnetics import bar, field, magnet, poles
from labkit.pickup.magnetics.slices import SLICES, Rods, row_positions
from labkit.pickup.materials.wire import gauge_law_diameter, wire
from labkit.pickup.predict import plan as build_plan
from labkit.pickup.predict.built import load_built
from labkit.pickup.predict.output import level_from_inductance_db, path_gain, string_outputs
from labkit.pickup.string import vibration
from labkit.pickup.string.known_steel import DRAWS
from labkit.pickup.winding import air_coil, capacitance, inductance
from labkit.pickup.winding.winding import PACKING_LIMITS, Winding
from labkit.rig.chain.stages import ValveInput
from labkit.rig.hum import (
    CANCELLED_AT_1K_DB,
    CANCELLED_DB,
    HEARD,
    HUM_FIELD_HZ,
    HUM_FIELD_T,
    IN_PHASE_DEG,
    LEAST_CHANGE_DB,
    MISMATCH,
    OUT_OF_PHASE_DEG,
    PHASE_HZ,
    mismatch_residual_db,
    phase_table,
)
from labkit.rig.noise import NOISE_DOUBT_DB, rig_noise
from labkit.rig.parts.taper import DEFAULT_MIDDLE
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, read_stage, set_value
from labkit.sound import loudness, strings
from labkit.sound.blind import abx
from labkit.sound.convert import conversion, difference
from labkit.sound.render import rig_sound
from labkit.sound.render.rig_sound import USUAL_STRINGS
from labkit.sound.render.string_drive import LEVEL_BAND_HZ, SMOOTHED_OCTAVES
from labkit.sound.strings import string_set
from labkit.sound.take import motion, performance
from labkit.study.questions.cable import LINE
from labkit.study.search import goal, refine
from labkit.study.tolerance import spread
from labkit.study.tolerance.tolerance import DEFAULT_COUNT

Claims = Iterator[str]
WINDING = Winding(
    turns=8000, wire=wire("AWG 42 single build"), straight_length=52e-3, end_radius=2.5e-3, winding_height=11e-3
)
SINGLE, BUILT = "Saltmarsh Lane, narrow single coil", "narrow single coil, built"


def demo(**changes: str) -> Rig:
    """The bench instrument with changes; a dot of a name is written as two underscores."""
    rig = load_rig(SINGLE)
    for name, value in changes.items():
        rig = set_value(rig, name.replace("__", "."), value)
    return rig


def peak(rig: Rig) -> tuple[str, str]:
    """Frequency and height of a rig's peak as the pages print them."""
    found = rig.response().peak
    assert found is not None
    shown = f"{found.frequency_hz / 1e3:.2f} kHz" if found.frequency_hz >= 1000 else f"{found.frequency_hz:.0f} Hz"
    return shown, f"{found.height_db:+.1f} dB"


def percent(part: float) -> str:
    return f"{100 * part:g} %"


def wire_and_winding() -> Claims:
    cold, room, warm = (WINDING.resistance(celsius) for celsius in (0, 20, 40))
    yield f"a build-up of {1e3 * WINDING.build_up:.2f} mm, a mean turn of {1e3 * WINDING.mean_turn:.0f} mm"
    yield f"{cold:.0f}, {room:.0f} or {warm:.0f} Ω at 0, 20 or 40 °C"
    yield f"Ten degrees are {100 * (WINDING.resistance(30) / room - 1):.1f} %"
    prediction = air_coil.predict_air_coil(WINDING)["resistance"]
    yield f"±{100 * prediction.half_width_fraction:.0f} % (95 %) for the resistance"
    assert prediction.largest == "bare diameter"
    assert 0.6 < prediction.contributions[0].share < 0.7, "two thirds of the doubt"
    yield f"outside {PACKING_LIMITS[0]:g} to {PACKING_LIMITS[1]:.3f} it is refused"
    # resistance by the rounded diameter over that by the gauge law, single build
    ratios = [(gauge_law_diameter(n) / wire(f"AWG {n} single build").bare_nominal) ** 2 - 1 for n in range(40, 45)]
    yield f"{100 * min(ratios):.1f} to +{100 * max(ratios):.1f} %".replace("-", "−")


def inductances() -> Claims:
    single, alnico_2 = load_built(BUILT), load_built("narrow single coil, alnico 2, built")
    main = single.coils["main"]
    yield f"has {main.air_inductance.value:.2f} H as bare wire, {main.inductance.value:.2f} H around alnico 5"
    yield f"{alnico_2.total.inductance.value:.2f} H around alnico 2"
    for name in ("Alnico 5", "Alnico 2", "Alnico 3", "Alnico 4"):
        value = magnet.magnet(name).signal_permeability
        yield f"{value.value:g} ± {value.spread:g}"
    yield f"cut into {SLICES} slices"
    yield f"within {100 * inductance.CLOSED_FORM_RMS:.1f} % rms and 1.8 % at worst"
    limits = inductance.CLOSED_FORM_RANGES
    for name, words in (("straight_length", "straights"), ("end_radius", "end radii"), ("winding_height", "heights")):
        yield f"{words} of {1e3 * limits[name].low:g} to {1e3 * limits[name].high:g} mm"
    pair = load_built("two-coil, built")
    assert pair.coupling is not None
    yield f"and {pair.coupling.value:.2f} with their poles"
    factors = {key: f"{value.value:.3f}" for key, value in bar.BAR_FACTORS.items()}
    yield f"{factors['alnico', False]} (alnico bar), {factors['alnico', True]} (alnico bar and keeper)"
    yield f"{factors['ferrite', True]} (ferrite bar and keeper) or {factors['ferrite', False]} (ferrite bar alone)"
    spreads = poles.MODEL_SPREAD
    yield f"±{percent(spreads['rod magnet'])} (alnico), ±{percent(spreads['slug'])} (slugs)"
    yield f"±{percent(spreads['screw'])} (screws and blades"
    yield f"±{100 * main.inductance.half_width_fraction + 0.5:.0f} % (95 %) for an air coil and for a single coil"


def self_capacitance() -> Claims:
    factor, leads = capacitance.LAYER_FACTOR.value, capacitance.LEADS
    yield f"{factor:g}, with a standard deviation of {percent(capacitance.LAYER_FACTOR_DEVIATION)}"
    yield f"grows from 25 % at ten layers to {capacitance.FEW_LAYERS_DEVIATION:g} in its logarithm at one"
    few = replace(WINDING, turns=100.0)
    alone = capacitance.single_layer_capacitance(mean_turn=few.mean_turn, winding_height=few.winding_height)
    yield f"and have {1e12 * float(alone):.1f} pF of their own beside the lead"
    assert 0.6 < few.layers < 0.7, "two thirds of a layer"
    assert math.exp(1.96 * capacitance.FEW_LAYERS_DEVIATION) == pytest.approx(4.0, rel=0.02), "a factor of 4"
    yield f"{1e12 * leads['cloth pair'].value:.0f} pF for a cloth pair, {1e12 * leads['braided'].value:.0f} pF"
    between = capacitance.capacitance_between_layers(
        mean_turn=WINDING.mean_turn,
        winding_height=WINDING.winding_height,
        bare_diameter=WINDING.wire.bare_nominal,
        overall_diameter=WINDING.wire.overall_nominal,
    )
    perfect = capacitance.layered_capacitance(between_layers=between, layers=WINDING.layers)
    own = air_coil.predict_air_coil(WINDING)
    yield f"{1e12 * float(perfect):.0f} pF where the formula gives {1e12 * own['capacitance'].value:.0f}"
    built = load_built(BUILT)
    assert built.resonance is not None
    assert built.loaded_resonance is not None
    yield f"peaks at {built.resonance.value / 1e3:.1f} kHz"
    yield f"±{100 * built.loaded_resonance.half_width_fraction:.0f} % for the peak into a known load"
    assert 0.2 < built.resonance.half_width_fraction < 0.3, "a quarter"
    assert 0.4 < own["capacitance"].half_width_fraction < 0.6, "±50 %"


def losses_of_poles() -> Claims:
    assert (losses.SECTIONS_ALNICO, losses.SECTIONS_STEEL) == (1, 3)
    for kind, words in (
        ("single-coil cover", "for a single-coil cover with side walls"),
        ("two-coil cover", "for a two-coil cover"),
        ("baseplate", "for a baseplate"),
    ):
        yield f"{plates.STRENGTH[kind].value:.1f} {words}"
    yield f"known to ±{percent(plates.MODEL_SPREAD)}"
    cover = {"cover.thickness": "0.4 mm", "cover.gap": "1.2 mm"}
    heights = [
        load_built(BUILT, changes).loaded_height_db
        for changes in (
            {"coil.main.losses": "none"},
            {},
            {"cover.metal": "nickel silver", **cover},
            {"cover.metal": "brass", **cover},
        )
    ]
    none, rods, nickel, brass = (f"{height.value:.1f} dB" for height in heights if height is not None)
    yield f"its peak stands {none} over the bass, with its alnico 5 rods {rods}"
    yield f"nickel silver {nickel}, under as much brass {brass}"


def magnets() -> Claims:
    rods = Rods(positions=row_positions(count=6, pitch=10.4e-3), radius=2.4e-3, length=17e-3)
    distance = np.array([0.5, 1.0, 2.0, 3.0, 4.0])
    columns = []
    for grade in ("Alnico 5", "Alnico 2", "Alnico 3", "Alnico 4"):
        state = magnet.operating_point(rods, magnet.magnet(grade))
        found = field.axis_field(rods, magnetisation=state.magnetisation, distance=1e-3 * distance)
        columns.append(1e3 * found.mean(axis=0))
    for row, at in enumerate(distance):
        yield f"| {at:g} mm | " + " | ".join(f"{column[row]:.0f} mT" for column in columns) + " |"
    yield f"about {1e3 * field.SENSOR_DEPTH:g} mm behind the tip"
    yield f"±{percent(bar.FIELD_SPREAD)} for a pickup with a bar magnet"
    yield f"±{percent(bar.ALNICO_FIELD_SPREAD)} for one of alnico"
    widths = [each.half_width_fraction for each in load_built(BUILT).field_t]
    assert all(0.13 < width < 0.155 for width in widths[3:]), "±15 %"
    yield f"±{100 * widths[2]:.0f} % at 2 mm, ±{100 * widths[1]:.0f} % at 1 mm and ±{100 * widths[0]:.0f} % at 0.5 mm"


def output() -> Claims:
    levels = {}
    for grade in ("Alnico 2", "Alnico 3", "Alnico 8"):
        found = load_built(BUILT, {"coil.main.poles.grade": grade}).output_db
        assert found is not None
        levels[grade] = found.value
    yield f"alnico 2 comes out {levels['Alnico 2']:.1f} dB higher, alnico 3 {abs(levels['Alnico 3']):.1f} dB lower"
    yield f"alnico 8 {-levels['Alnico 8']:.1f} dB lower"
    for name, lost in ((BUILT, "alnico rods by"), ("two-coil, built", "steel slugs and screws by about")):
        path = path_gain(load_built(name).build)
        assert path is not None
        at_5k = float(np.interp(math.log(5e3), np.log(path[0]), 20 * np.log10(np.abs(path[1]))))
        yield f"{lost} {-at_5k:.1f} dB"
    half = load_built(BUILT).with_charge(0.5).output_db
    assert half is not None
    yield f"half the charge costs it about {-half.value:.0f} dB"
    yield f"{DRAWS} draws for all pickups"
    windows = [output.window.value for output in string_outputs(load_built(BUILT).build)]
    assert 3e-3 < min(windows) < max(windows) < 6.2e-3, "3 to 6 mm"
    yield f"the rule says {float(level_from_inductance_db(inductance=3.5, reference=1.7)):.1f} dB"
    lowest = min(string.open_hz for string in string_set(USUAL_STRINGS).strings)
    yield f"below {lowest:.0f} Hz no open string of the usual set gives anything"
    assert (SMOOTHED_OCTAVES, LEVEL_BAND_HZ) == (1 / 6, (100.0, 1000.0)), "a sixth of an octave, 100 Hz to 1 kHz"
    yield f"±15 % (95 %) over rods, ±{percent(bar.FIELD_SPREAD)} over a bar magnet"
    yield f"±{percent(bar.ALNICO_FIELD_SPREAD)} over one of alnico"


def intervals() -> Claims:
    for name, (deviation, _) in air_coil.DEVIATIONS.items():
        shown = "1 K" if name == "temperature" else percent(deviation)
        words = "layer factor of the capacitance" if name == "layer factor" else name
        yield f"| {words} | {shown}" + (" (absolute)" if name == "stretch" else "")
    yield f"| diameter and length of a pole | {percent(build_plan.POLE_SIZE_DEVIATION)}"
    yield f"| coupling of two air coils | {percent(build_plan.COUPLING_DEVIATION)}"
    yield f"| model of a pair with poles | {percent(build_plan.PAIR_DEVIATION)}"
    two = ", ".join(percent(part) for part in build_plan.PEAK_DEVIATIONS.values())
    yield f"| frequency and height of the loaded peak | {two} |"


def circuit() -> Claims:
    top = demo().response().peak
    assert top is not None
    low, high = thermal_noise(demo().circuit, np.array([100.0, top.frequency_hz])) * 1e9
    yield f"{low:.0f} nV/√Hz at 100 Hz and {high:.0f} nV/√Hz at its peak"


def pots_and_loads() -> Claims:
    for value in ("250 kΩ", "500 kΩ", "1 MΩ"):
        rig = demo(volume__value=value, tone__value=value)
        level = 20 * math.log10(abs(rig.response(np.array([100.0])).values[0]))
        yield f"| {value} | {' | '.join(peak(rig))} | {level:.1f} dB |".replace("| -", "| −")
    assert demo(volume="8").response().peak is None, "no peak left at 8"
    yield f"{percent(DEFAULT_MIDDLE)} is taken where no figure is given"
    heights = [demo(volume__value=value).response().peak for value in ("200k", "300k")]
    assert all(0.4 < abs(found.height_db - 4.18) < 0.7 for found in heights if found), "half a decibel either way"


def capacitors() -> Claims:
    full_up = []
    for value in ("4.7 nF", "10 nF", "22 nF", "47 nF", "100 nF"):
        yield f"| {value} | {' | '.join(peak(demo(tone='0', tone_capacitor=value)))} |"
        response = demo(tone_capacitor=value).response()
        full_up.append(response.gain_db[response.frequency_hz > 80])
    assert np.max(np.ptp(full_up[1:], axis=0)) < 0.1, "10 to 100 nF at tone 10"
    moved = [
        float(np.max(np.abs(demo(tone=t, tone_capacitor__loss_tangent="3 %").response().gain_db
                            - demo(tone=t).response().gain_db)))
        for t in ("10", "5", "0")
    ]  # fmt: skip
    yield f"{moved[0]:.3f} dB at tone 10, {moved[1]:.2f} dB at 5 and {moved[2]:.1f} dB at 0"
    high = demo(tone="0", tone_capacitor="26.4n").response().gain_db - demo(tone="0").response().gain_db
    yield f"{float(np.max(np.abs(high))):.1f} dB at tone 0"


def cable() -> Claims:
    for metres in (1, 3, 5, 10):
        rig = demo(cable__length=f"{metres} m")
        edge = rig.response().minus_3db_hz
        assert edge is not None
        yield f"| {metres} m | {' | '.join(peak(rig))} | {edge / 1e3:.2f} kHz |"
    corner = 1 / (2 * math.pi * 6e3 * 607e-12)
    yield f"for 6 kΩ and 607 pF, gives {corner / 1e3:.0f} kHz"
    item = Table({"kind": "cable line", "use": LINE, "length": "100 m"}, "line")
    line = read_stage("cable line", "line", item)
    ends = (
        Source(name="emf", nodes=("in", GROUND)),
        Resistor(name="source", nodes=("in", "near"), resistance=50.0),
        *line.elements("near", "far"),
        Resistor(name="load", nodes=("far", GROUND), resistance=600.0),
    )
    level = 20 * math.log10(abs(solve(Circuit(elements=ends, output="far"), np.array([100.0])).transfer[0]) * 650 / 600)
    yield f"100 m between 50 Ω and 600 Ω lose {-level:.2f} dB in the wire"


def amplifier_input() -> Claims:
    for value in ("1 MΩ", "500 kΩ", "220 kΩ", "136 kΩ"):
        yield f"| {value} | {' | '.join(peak(demo(input__resistance=value)))} |"
    valve = ValveInput(
        name="valve", stopper=34e3, leak=1e6, divider=None, grid_cathode=1.65e-12, grid_anode=1.6e-12,
        stage_gain=65.0, stray=0.0,
    )  # fmt: skip
    yield f"Together {1e12 * valve.grid_capacitance:.0f} pF"


def hum() -> Claims:
    shown = [f"{mismatch_residual_db(part):.0f}".replace("-", "−") for part in (0.01, 0.02, 0.05, 0.1)]
    yield f"{', '.join(shown[:3])} or {shown[3]} dB of one coil"
    for row in phase_table():
        words = ("same" if row.same_wind else "opposite", "same" if row.same_magnet else "opposite")
        phase = "in phase" if row.in_phase else "out of phase"
        yield f"| {words[0]} | {words[1]} | {phase} | {'cancels' if row.cancels_hum else 'adds'} |"
    yield f"with $m$ = {percent(MISMATCH)} of mismatch"
    least = [f"{level:.0f}".replace("-", "−") for level in (CANCELLED_DB, CANCELLED_AT_1K_DB)]
    yield f"{least[0]} dB or less at 100 Hz and {least[1]} dB or less at 1 kHz, mismatch of {percent(MISMATCH)}"
    yield f"at least {LEAST_CHANGE_DB:g} dB less at 100 Hz"
    yield f"within {-20 * math.log10(HEARD):g} dB of the strongest"
    yield f"judged at {PHASE_HZ:g} Hz: within {IN_PHASE_DEG:g}° is in, beyond {OUT_OF_PHASE_DEG:g}° out"


def noise() -> Claims:
    rig = demo()
    coil = rig.pickups["bridge"].coils["main"]
    assert (coil.turns, coil.area) == (7900, 5.6e-4), "7900 turns and 5.6 cm²"
    emf = 2 * math.pi * HUM_FIELD_HZ * HUM_FIELD_T * 7900 * 5.6e-4
    yield f"{HUM_FIELD_T * 1e6:.1f} µT at {HUM_FIELD_HZ:g} Hz"
    yield f"gives {emf * 1e6:.0f} µV in it, fifty times the noise"
    assert 50 < emf / rig_noise(rig, with_note=False).rms < 60
    yield f"±{NOISE_DOUBT_DB:g} dB (95 %)"


def strings_and_takes() -> Claims:
    yield f"{strings.HEXAGON_STIFFNESS:.3f} times as stiff"
    yield f"{strings.STEEL_MODULUS_PA / 1e9:g} GPa"
    times = [1 / performance.MUTED_DECAY.rate(hertz) for hertz in (0.0, 3000.0)]
    yield f"muted strings ring {times[0]:.2g} s low down and {times[1]:.2g} s at 3 kHz"
    yield f"{vibration.NECK_CONDUCTANCE:g} s/kg away from dead spots"
    yield f"{motion.PLUCK_ANGLE:g} rad from upright"


def loudness_and_test() -> Claims:
    yield f"at −{-loudness.QUIET_LUFS:g} LUFS"
    yield f"closer than {loudness.LEAST_HEADROOM_DB:g} dB to full scale"
    yield f"{abx.passing_count(16)} of 16 trials must be right, {abx.passing_count(20)} of 20"
    assert abx.passing_count(4) is None
    assert abx.passing_count(5) == 5
    low, high = abx.hit_rate_interval(12, 16)
    yield f"between {100 * low:.0f} and {100 * high:.0f} %"
    yield f"{abx.RECOMMENDED_TRIALS} trials are recommended"


def recordings() -> Claims:
    yield f"({difference.DEFAULT_BOOST_DB:g} dB over its mean level"
    yield f"by less than {difference.BAND_ERROR_DB:g} dB"
    yield f"one centred filter of {conversion.FILTER_S:g} s"
    yield f"by more than {rig_sound.MIXING_TOLERANCE_DB:g} dB"


def measuring() -> Claims:
    usual = f"{percent(fixture.RESISTOR_TOLERANCE)} is taken for resistors and {percent(fixture.CAPACITOR_TOLERANCE)}"
    yield f"{usual} for capacitors"
    low, high = (format_quantity(bound, "Ω") for bound in fixture.UNKNOWN_METER)
    yield f"anywhere from {low} to {high}"
    yield f"above {fit_warnings.MISFIT_DB:g} dB the fit questions its own model"
    yield f"no better than {percent(fit_warnings.LOOSE)}"
    reading = meter.in_circuit_reading(resistance=6000.0, parallel=[250e3])
    yield f"6 kΩ behind a 250 kΩ pot reads {reading:.0f} Ω"


def verdicts() -> Claims:
    coil = load_built(BUILT).pickup.coils["main"]

    def moved(changed: object) -> tuple[float, float]:
        return (
            100 * (changed.resistance / coil.resistance - 1),  # type: ignore[attr-defined]
            100 * (changed.inductance / coil.inductance - 1),  # type: ignore[attr-defined]
        )

    fewer, thick = moved(faults.with_turns(coil, 0.95)), moved(faults.with_wire(coil, 1.02))
    thin, short = moved(faults.with_wire(coil, 1 / faults.GAUGE_STEP)), moved(faults.with_shorted_turns(coil, 0.01))
    yield f"| 5 % fewer turns | {fewer[0]:.0f} % | {fewer[1]:.0f} % |".replace("-", "−")
    yield f"| wire 2 % thick | {thick[0]:.0f} % | hardly |".replace("-", "−")
    yield f"| one gauge thinner | {thin[0]:+.0f} %"
    yield f"| 1 % of the turns shorted | {short[0]:.0f} % | {short[1]:.0f} %".replace("-", "−")
    yield f"above {percent(diagnose.MOST_CONFIDENCE)}, nothing below {percent(diagnose.LEAST_CONFIDENCE)} is listed"
    yield f"$k^2 = {faults.LOOP_COUPLING:g}$"


def tolerance_and_search() -> Claims:
    found = spread.default_spreads(demo())
    shares = {name: round(100 * (item.high - item.low) / (item.high + item.low)) for name, item in found.items()}
    assert shares["input.resistance"] == round(100 * spread.RESISTOR_FRACTION)
    yield f"| pot | ±{shares['volume.value']} %, {found['volume.value'].shape} |"
    yield f"| capacitor | ±{shares['tone_capacitor.value']} %, {found['tone_capacitor.value'].shape} |"
    yield f"| fixed resistor, input resistance | ±{shares['input.resistance']} %, uniform |"
    yield f"| cable, per metre | ±{shares['cable.capacitance']} %, {found['cable.capacitance'].shape} |"
    coil = found["bridge.main.resistance"]
    assert shares["bridge.main.resistance"] == shares["bridge.main.inductance"]
    yield f"| coil: resistance, inductance | ±{shares['bridge.main.resistance']} %, {coil.shape} |"
    yield f"| coil: capacitance | ±{shares['bridge.main.capacitance']} %, normal |"
    yield f"{percent(goal.RESONANCE_WITHIN)} of the resonance, {goal.HEIGHT_WITHIN_DB:g} dB of a height or level"
    yield f"{goal.LIKE_WITHIN_DB:g} dB of difference from another rig's curve"
    assert refine.SAFETY == 2.0, "twice the steepness"
    yield f"{DEFAULT_COUNT // 1000} 000 variants"


def learning() -> Claims:
    yield f"The counter has {100 * SHARES['turns']['machine']:.0f} % of the variance of the turns, each coil"
    yield f"the spool has {100 * SHARES['bare diameter']['spool']:.0f} % of the wire's diameter, its maker"
    yield f"fades with {DRIFT_MONTHS['shop']:.0f} months, with a meter {DRIFT_MONTHS['meter']:.0f} months"
    yield f"what {1 / CONFLICT - 1:.0f} of {1 / CONFLICT:.0f} shops would show"
    yield f'weighed against "good" ({100 * (1 - batch.FAULTY):.0f} % before anything is read)'
    yield f"Below a probability of {batch.FLAGGED:g} of being good a coil is a *fault*, below {batch.PASSES:g} it"


def workshop_book() -> Claims:
    assert entry.FAR == 10, "ten of its standard deviations away"
    assert chart.FEWEST_FOR_LIMITS == 6, "first six good coils"
    assert chart.FEWEST_OF_A_STEP == 3, "where both have three coils"
    yield f"the median difference of neighbours over {chart.MIDDLE_DIFFERENCE:.3f}"
    yield f"from {chart.FEWEST_FOR_CAPABILITY} coils on"
    yield f"a film of {stock.FILM_DENSITY:.0f} kg/m³"
    repeat = records.QUANTITIES["inductance"].repeat
    yield f"An inductance that repeats to {100 * repeat:g} % tells them to {100 * matching.MATCH_DOUBT:.1f} %"


CLAIMS: Mapping[str, Callable[[], Claims]] = {
    "wire-and-winding": wire_and_winding,
    "inductance": inductances,
    "self-capacitance": self_capacitance,
    "losses": losses_of_poles,
    "magnets": magnets,
    "output": output,
    "intervals": intervals,
    "circuit": circuit,
    "pots-and-loads": pots_and_loads,
    "capacitors": capacitors,
    "cable": cable,
    "amplifier-input": amplifier_input,
    "hum": hum,
    "noise": noise,
    "strings": strings_and_takes,
    "loudness-and-blind-test": loudness_and_test,
    "recordings": recordings,
    "measuring": measuring,
    "verdicts": verdicts,
    "tolerance-and-search": tolerance_and_search,
    "learning": learning,
    "workshop-book": workshop_book,
}
"""By the name of the page."""
