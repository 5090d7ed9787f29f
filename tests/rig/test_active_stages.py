"""Amplifiers, transistors, transformers, piezos, lines and tone stacks in rigs: by hand, published, and by ngspice."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from labkit.catalogue import catalogue
from labkit.circuit.elements import GROUND, Circuit, InputNoise, Resistor, Source
from labkit.circuit.solve.noise import noise_density
from labkit.circuit.solve.solver import solve
from labkit.circuit.solve.stability import stability
from labkit.circuit.spice.deck import spice_deck, spice_node_names
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.rig.chain.chain import Cable, Input, Stage
from labkit.rig.chain.stages import CableLine, ToneStack
from labkit.rig.noise import rig_noise
from labkit.rig.parts.taper import parse_taper
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, read_rig, read_stage, set_value
from tests.circuit.ngspice import read_raw, run_commands, simulate, simulate_noise
from tests.rig.random_rigs import ACTIVE_KINDS

FREQUENCY_HZ = np.geomspace(20, 20_000, 25)
SINGLE = "Saltmarsh Lane, narrow single coil"
WIRINGS = (
    "preamplifier with treble and bass",
    "pickup and piezo blend",
    "one volume, one tone, transformer to a line",
)
RIGS = ("Saltmarsh Lane, valve amplifier with its tone stack", "Saltmarsh Lane, pedal of low impedance")


def stage(kind: str, use: str, **keys: object) -> Stage:
    return read_stage(kind, "stage", Table({"kind": kind, "use": use, **keys}, "a stage"))


def stages() -> dict[str, Stage]:
    return {use: stage(kind, use) for kind in ACTIVE_KINDS for use in catalogue().names(kind)}


def rigs() -> dict[str, Rig]:
    """The demo instrument with every active stage between two cables, with every active wiring, and the ready rigs."""
    single = load_rig(SINGLE)
    second = Cable(name="cable2", length=5, capacitance_per_length=1e-10)
    found = {
        use: single.replace(chain=(single.chain[0], each, second, single.chain[1])) for use, each in stages().items()
    }
    found |= {wiring: set_value(single, "wiring", wiring) for wiring in WIRINGS}
    return found | {name: load_rig(name) for name in RIGS}


def driven(each: Stage, *, source_ohm: float = 1.0, load: float = math.inf) -> Circuit:
    """A stage between 1 V behind a resistance and a load."""
    parts = (
        Source(name="emf", nodes=("in", GROUND)),
        Resistor(name="source", nodes=("in", "before"), resistance=source_ohm),
        *each.elements("before", "after"),
        Resistor(name="load", nodes=("after", GROUND), resistance=load),
    )
    return Circuit(elements=parts, output="after")


@pytest.mark.ngspice
def test_active_rigs_agree_with_ngspice_by_two_decks(tmp_path: Path) -> None:
    found = rigs()
    assert len(found) > 10
    commands = ["set noaskquit"]
    for number, rig in enumerate(found.values()):
        deck = spice_deck(rig.circuit, points_per_decade=8)
        (tmp_path / f"deck{number}.cir").write_text(deck, encoding="utf-8")
        output = spice_node_names(rig.circuit)[rig.circuit.output]
        commands += [f"source deck{number}.cir", "run", f"write deck{number}.raw v({output})", "destroy all", "remcirc"]
    run_commands(commands, tmp_path)
    sweeps = simulate([rig.circuit for rig in found.values()], FREQUENCY_HZ, tmp_path)
    for number, (rig, sweep) in enumerate(zip(found.values(), sweeps)):
        exported = read_raw(tmp_path / f"deck{number}.raw")
        for frequency, voltage in ((sweep.frequency_hz, sweep.transfer), exported):
            ratio = rig.evaluate(frequency) / voltage
            # 0.01 dB is the claim; 10¹⁵ Ω at every node and coupled inductors leave a hundredth of it
            assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 1e-4, rig.name
            assert np.max(np.abs(np.degrees(np.angle(ratio)))) < 0.01, rig.name


@pytest.mark.ngspice
def test_noise_of_active_rigs_agrees_with_ngspice(tmp_path: Path) -> None:
    def white(circuit: Circuit) -> Circuit:
        flat = [
            replace(e, voltage_corner_hz=0.0, current_corner_hz=0.0) if isinstance(e, InputNoise) else e
            for e in circuit.elements
        ]
        return replace(circuit, elements=tuple(flat))

    # a lossy dielectric is no plain resistor to the simulator
    chosen = [white(rig.circuit) for name, rig in rigs().items() if "long line" not in name]
    frequency = np.geomspace(20, 20_000, 7)
    for circuit, expected in zip(chosen, simulate_noise(chosen, frequency, tmp_path)):
        off_db = 10 * np.log10(noise_density(circuit, frequency).total) - 20 * np.log10(expected)
        assert np.max(np.abs(off_db)) < 0.02, circuit.name


def test_every_active_rig_of_the_catalogue_is_stable_and_says_nothing() -> None:
    for name, rig in rigs().items():
        assert stability(rig.circuit).is_stable, name
        assert rig.warnings == (), name


def test_an_unstable_wiring_is_said_to_be() -> None:
    """The two inputs of a feedback stage exchanged, as a misread drawing has them."""

    def harness(plus: str, minus: str) -> dict[str, object]:
        parts = {
            "into": {"kind": "resistor", "nodes": ["bridge.hot", "summing"], "value": "100k"},
            "back": {"kind": "resistor", "nodes": ["summing", "tip"], "value": "100k"},
            "stage": {"kind": "operational amplifier", "nodes": [plus, minus, "tip"]},
        }
        return {"name": "inverter", "pickups": ["bridge"], "output": "tip", "parts": parts}

    def rig(plus: str, minus: str) -> Rig:
        data = {"name": "r", "harness": harness(plus, minus), "pickups": {"bridge": "narrow single coil"}}
        return read_rig(Table(data, "a rig"))

    assert not [each for each in rig("ground", "summing").warnings if "unstable" in each]
    (said,) = [each for each in rig("summing", "ground").warnings if "unstable" in each]
    assert "its curve and its noise are not to be had then" in said


@pytest.mark.parametrize(("knob", "moved", "still"), [("bass", 20.0, 5000.0), ("treble", 100_000.0, 200.0)])
def test_shelves_reach_their_range_at_both_ends_and_are_flat_in_the_middle(
    knob: str, moved: float, still: float
) -> None:
    """By hand: (R + P)/R for the bass; 12 dB within what 200 kHz of bandwidth and the coupling leave."""
    rig = set_value(load_rig(SINGLE), "wiring", "preamplifier with treble and bass").replace(chain=())
    for part in ("bass", "treble"):
        rig = set_value(rig, f"{part}.gain_bandwidth", "50 MHz")
    frequency = np.sort(np.array([moved, still]))
    flat = 20 * np.log10(np.abs(rig.evaluate(frequency)))
    for position, expected in ((10.0, 12.0), (0.0, -12.0)):
        turned = 20 * np.log10(np.abs(rig.replace(settings={knob: position}).evaluate(frequency))) - flat
        at = dict(zip(frequency, turned))
        assert at[moved] == pytest.approx(expected, abs=0.4)
        assert at[still] == pytest.approx(0.0, abs=0.4)
    straight = rig.replace(settings={"bass": 5, "treble": 5})
    alone = abs(straight.evaluate(np.array([100.0]))[0])
    assert alone == pytest.approx(abs(rig.evaluate(np.array([1000.0]))[0]), rel=0.02)


def test_the_low_impedance_stage_takes_the_pickup_down_by_hand() -> None:
    """Gain = R_f/(R_in + Z): at 100 Hz 6 kΩ of coil, 1.5 kΩ of inductance and 3 of pots; at 4 kHz the coil's 60 kΩ."""
    single = load_rig(SINGLE)
    rig = single.replace(chain=(stage("amplifier", "low-impedance first stage", roll_off="0 F"),))
    open_rig = single.replace(chain=())
    frequency = np.array([400.0, 4000.0])
    impedance = open_rig.output_impedance(frequency)
    expected = open_rig.evaluate(frequency) * 100e3 / (10e3 + 1 / (2j * np.pi * frequency * 2.2e-6) + impedance)
    # 3 MHz over a noise gain of 11 leaves 2 % at 4 kHz
    np.testing.assert_allclose(np.abs(rig.evaluate(frequency)), np.abs(expected), rtol=0.01)


def test_series_resistance_and_coupling_of_a_low_input_are_a_divider() -> None:
    found = solve(driven(stage("low-impedance input", "low-impedance pedal input", series="4.7k")), np.array([10e3]))
    assert abs(found.transfer[0]) == pytest.approx(10 / 14.7, rel=1e-3)


def test_a_transformer_steps_down_by_its_ratio_and_loses_bass_to_its_inductance() -> None:
    """By hand: n between its −3 dB points; R∥/(2πL) of source and load, both on the primary side."""
    each = stage(
        "transformer", "line transformer, 1 to 1", primary_resistance="0 Ω", secondary_resistance="0 Ω", ratio=0.5
    )
    circuit = driven(each, source_ohm=1e3, load=1e4)
    corner = (1e3 * 4e4 / 4.1e4) / (2 * np.pi * 10)
    middle, low = np.abs(solve(circuit, np.array([1000.0, corner])).transfer)
    assert middle == pytest.approx(0.5 * 40 / 41, rel=2e-3)
    assert low / middle == pytest.approx(math.sqrt(0.5), rel=2e-3)


def test_a_piezo_loses_bass_to_the_input_behind_it() -> None:
    """By hand: 1.2 nF into 10 MΩ and 15 pF turns at 13 Hz."""
    rig = set_value(load_rig(SINGLE), "wiring", "pickup and piezo blend").replace(settings={"blend": 0}, chain=())
    corner = 1 / (2 * np.pi * 10e6 * 1.215e-9)
    at, above = np.abs(rig.evaluate(np.array([corner, 2000.0]), source="piezo"))
    assert at / above == pytest.approx(math.sqrt(0.5), rel=1e-3)
    assert rig.sources == ("bridge", "piezo")
    louder = set_value(rig, "piezo.level", "6.0206 dB")
    assert abs(louder.evaluate(np.array([2000.0]), source="piezo")[0]) == pytest.approx(2 * above, rel=1e-5)


def published_tone_stack(f: np.ndarray, t: float, m: float, b: float) -> np.ndarray:
    """H(s) of the paper the stage cites, eq. (1) and its table of coefficients, at the values of its figure."""
    r1, r2, r3, r4, c1, c2, c3 = 250e3, 1e6, 25e3, 56e3, 0.25e-9, 20e-9, 20e-9
    b1 = t * c1 * r1 + m * c3 * r3 + b * (c1 * r2 + c2 * r2) + (c1 * r3 + c2 * r3)
    b2 = (
        t * (c1 * c2 * r1 * r4 + c1 * c3 * r1 * r4)
        - m**2 * (c1 * c3 * r3**2 + c2 * c3 * r3**2)
        + m * (c1 * c3 * r1 * r3 + c1 * c3 * r3**2 + c2 * c3 * r3**2)
        + b * (c1 * c2 * r1 * r2 + c1 * c2 * r2 * r4 + c1 * c3 * r2 * r4)
        + b * m * (c1 * c3 * r2 * r3 + c2 * c3 * r2 * r3)
        + (c1 * c2 * r1 * r3 + c1 * c2 * r3 * r4 + c1 * c3 * r3 * r4)
    )
    ccc = c1 * c2 * c3
    b3 = (
        b * m * ccc * (r1 * r2 * r3 + r2 * r3 * r4)
        - m**2 * ccc * (r1 * r3**2 + r3**2 * r4)
        + m * ccc * (r1 * r3**2 + r3**2 * r4)
        + t * ccc * r1 * r3 * r4
        - t * m * ccc * r1 * r3 * r4
        + t * b * ccc * r1 * r2 * r4
    )
    a1 = (c1 * r1 + c1 * r3 + c2 * r3 + c2 * r4 + c3 * r4) + m * c3 * r3 + b * (c1 * r2 + c2 * r2)
    a2 = (
        m * (c1 * c3 * r1 * r3 - c2 * c3 * r3 * r4 + c1 * c3 * r3**2 + c2 * c3 * r3**2)
        + b * m * (c1 * c3 * r2 * r3 + c2 * c3 * r2 * r3)
        - m**2 * (c1 * c3 * r3**2 + c2 * c3 * r3**2)
        + b * (c1 * c2 * r2 * r4 + c1 * c2 * r1 * r2 + c1 * c3 * r2 * r4 + c2 * c3 * r2 * r4)
        + (c1 * c2 * r1 * r4 + c1 * c3 * r1 * r4 + c1 * c2 * r3 * r4 + c1 * c2 * r1 * r3 + c1 * c3 * r3 * r4)
        + c2 * c3 * r3 * r4
    )
    a3 = (
        b * m * ccc * (r1 * r2 * r3 + r2 * r3 * r4)
        - m**2 * ccc * (r1 * r3**2 + r3**2 * r4)
        + m * ccc * (r3**2 * r4 + r1 * r3**2 - r1 * r3 * r4)
        + b * ccc * r1 * r2 * r4
        + ccc * r1 * r3 * r4
    )
    s = 2j * np.pi * f
    return np.asarray((b1 * s + b2 * s**2 + b3 * s**3) / (1 + a1 * s + a2 * s**2 + a3 * s**3))


@pytest.mark.parametrize(("treble", "middle", "bass"), [(5, 5, 5), (10, 0, 3), (0, 10, 10), (7, 2, 0.5), (2, 8, 6)])
def test_the_tone_stack_is_the_published_one(treble: float, middle: float, bass: float) -> None:
    each = stage("tone stack", "tone stack, 56 kΩ slope", treble=treble, middle=middle, bass=bass, bass_taper="linear")
    assert isinstance(each, ToneStack)
    ideal = replace(each, driving_resistance=0.0, load=1e15)
    found = solve(driven(ideal), FREQUENCY_HZ).transfer
    expected = published_tone_stack(FREQUENCY_HZ, treble / 10, middle / 10, bass / 10)
    np.testing.assert_allclose(found, expected, rtol=1e-6)


def test_a_valves_own_noise_passes_through_the_tone_stack_behind_it() -> None:
    rig = load_rig(RIGS[0])
    noise = [each for each in rig.circuit.of_kind(InputNoise) if each.voltage]
    assert [(each.name, each.reader) for each in noise] == [("valve input.noise", "tone stack.stage")]
    parts = {part.part for part in rig_noise(rig).parts}
    assert {"tone stack", "valve input", "own noise of valve input"} <= parts


def hyperbolic(line: CableLine, frequency: np.ndarray, source_ohm: float, load_ohm: float) -> np.ndarray:
    """A lossy line between two resistances by its chain matrix (any book on transmission lines)."""
    omega = 2 * np.pi * frequency
    series = line.resistance_per_length + 1j * omega * line.inductance_per_length
    shunt = omega * line.capacitance_per_length * (1j + line.loss_tangent)
    wave, size = np.sqrt(series * shunt) * line.length, np.sqrt(series / shunt)
    a, b, c = np.cosh(wave), size * np.sinh(wave), np.sinh(wave) / size
    return np.asarray(1 / (a + b / load_ohm + source_ohm * (c + a / load_ohm)))


@pytest.mark.parametrize("length", [5.0, 100.0, 300.0])
@pytest.mark.parametrize(("source_ohm", "load_ohm"), [(100.0, 10e3), (10e3, 1e6), (50.0, 600.0)])
def test_a_cable_line_answers_as_the_hyperbolic_formula(length: float, source_ohm: float, load_ohm: float) -> None:
    each = stage("cable line", "long line of a stage box", length=f"{length} m!")
    assert isinstance(each, CableLine)
    found = solve(driven(each, source_ohm=source_ohm, load=load_ohm), FREQUENCY_HZ).transfer
    expected = hyperbolic(each, FREQUENCY_HZ, source_ohm, load_ohm)
    assert np.max(np.abs(20 * np.log10(np.abs(found / expected)))) < 2e-3


def test_a_stage_that_cannot_be_is_refused_in_a_sentence() -> None:
    with pytest.raises(InputError, match="a non-inverting stage has 0 dB or more; got -6 dB"):
        stage("amplifier", "clean booster", gain="-6 dB")
    with pytest.raises(InputError, match="connection"):
        stage("amplifier", "clean booster", connection="invrting")


@pytest.mark.parametrize("name", list(stages()))
def test_stages_write_and_read_back_to_themselves(name: str) -> None:
    each = stages()[name]
    again = read_stage(each.kind, each.name, Table(each.data(), "again"))
    assert again == each


def test_the_bass_taper_of_a_tone_stack_is_that_of_its_pot() -> None:
    audio = stage("tone stack", "tone stack, 56 kΩ slope", bass=5)
    assert isinstance(audio, ToneStack)
    part = float(parse_taper("audio")(0.5))
    (found,) = [e for e in audio.elements("a", "b") if e.name == "stage.bass"]
    assert isinstance(found, Resistor)
    assert found.resistance == pytest.approx(part * 1e6)


def test_a_plain_input_beside_a_booster_keeps_its_voltage_noise_to_itself() -> None:
    single = load_rig(SINGLE)
    tuner = replace(single.chain[1], name="tuner")
    rig = single.replace(chain=(tuner, stage("amplifier", "clean booster"), Input(name="input", resistance=1e6)))
    beside = rig.circuit["tuner.noise"]
    assert isinstance(beside, InputNoise)
    assert (beside.voltage, beside.reader) == (0.0, "")
    assert beside.current > 0
