"""Noise of rigs: weighting and band by published tables, parts by hand, ngspice, a note and hum beside it."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from labkit.circuit.solve.noise import BOLTZMANN, noise_density
from labkit.core.errors import InputError
from labkit.core.grid import frequency_grid
from labkit.pickup.predict.output import string_outputs
from labkit.rig.chain.chain import Cable, Input
from labkit.rig.chain.stages import BufferBox
from labkit.rig.hum import hum_voltage
from labkit.rig.noise import NOISE_DOUBT_DB, a_weighting_db, band_power, decibel_volts, played_signal, rig_noise
from labkit.rig.parts.active import BufferStage, NoiseData
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, set_value
from tests.circuit.ngspice import simulate_noise

SINGLE = "Saltmarsh Lane, narrow single coil"
TWO = "Saltmarsh Lane, two pickups"


@pytest.fixture(scope="module")
def single() -> Rig:
    return load_rig(SINGLE)


# IEC 61672-1:2013, table 3: design goals at the exact frequencies 1000·10^(n/10) of the nominal ones, to 0.1 dB.
A_WEIGHTING = {20: -50.5, 31.5: -39.4, 63: -26.2, 100: -19.1, 250: -8.6, 500: -3.2, 1000: 0.0, 2000: 1.2, 2500: 1.3}
A_WEIGHTING |= {4000: 1.0, 8000: -1.1, 12500: -4.3, 16000: -6.6, 20000: -9.3}


@pytest.mark.parametrize(("nominal", "expected"), A_WEIGHTING.items())
def test_a_weighting_is_that_of_the_published_table(nominal: float, expected: float) -> None:
    exact = 1000 * 10 ** (round(10 * math.log10(nominal / 1000)) / 10)
    assert round(float(a_weighting_db(np.array(exact))), 1) == pytest.approx(expected, abs=1e-9)


def test_white_noise_over_the_band_is_its_density_times_the_root_of_the_width() -> None:
    grid = frequency_grid(20, 20_000, 512)
    assert float(band_power(np.full(512, 1e-16), grid)) == pytest.approx(1e-16 * 19_980, rel=1e-4)


def test_the_grid_adds_up_a_sharp_resonance() -> None:
    quiet = set_value(set_value(load_rig(SINGLE), "volume.value", "10M"), "tone.value", "10M")
    fine = frequency_grid(20, 20_000, 8192)
    for weighted in (False, True):
        exact = 10 * math.log10(band_power(noise_density(quiet.circuit, fine).total, fine, weighted=weighted))
        found = rig_noise(quiet, with_note=False)
        assert decibel_volts(found.weighted if weighted else found.rms) == pytest.approx(exact, abs=0.01)


def test_a_volume_backed_off_makes_most_of_the_noise_and_its_share_is_that_of_its_legs(single: Rig) -> None:
    """By hand at low frequency: the coil is small, so the wiper sees its two legs in parallel, 4kT·(R₁∥R₂)·Δf."""
    rig = set_value(set_value(single, "volume", "5"), "tone", "10").replace(
        chain=(Input(name="input", resistance=1e9),)
    )
    noise = rig_noise(rig)
    assert noise.parts[0].part == "volume"
    assert noise.parts[0].share > 0.8
    assert sum(part.share for part in noise.parts) == pytest.approx(1.0)
    assert math.sqrt(sum(part.rms**2 for part in noise.parts)) == pytest.approx(noise.rms)
    legs = rig.circuit["volume.upper"].resistance + 5.9e3, rig.circuit["volume.lower"].resistance  # type: ignore[attr-defined]
    joined = legs[0] * legs[1] / sum(legs)
    low = noise_density(rig.circuit, np.array([20.0])).total[0]
    # 250 kΩ of tone pot beside the coil move it by a fiftieth of 6 kΩ in 225 kΩ
    assert low == pytest.approx(4 * BOLTZMANN * 293.15 * joined, rel=2e-3)


def test_noise_of_the_last_input_counts_and_of_one_beside_the_way_only_its_current(single: Rig) -> None:
    noisy = NoiseData(voltage_noise=50e-9, current_noise=1e-12)
    quiet = single.replace(chain=(single.chain[0], Input(name="input", resistance=1e6)))
    last = quiet.replace(chain=(quiet.chain[0], Input(name="input", resistance=1e6, noise=noisy)))
    beside = quiet.replace(
        chain=(Input(name="tuner", resistance=1e6, noise=noisy), Input(name="input", resistance=1e6))
    )
    by_part = {part.part: part.rms for part in rig_noise(last).parts}
    assert by_part["own noise of input"] > math.sqrt(50e-9**2 * 19_980)
    frequency = np.array([1e3])
    found = noise_density(beside.circuit, frequency).power["tuner.noise"][0]
    impedance = abs(beside.output_impedance(frequency)[0])
    assert found == pytest.approx((1e-12 * impedance) ** 2, rel=1e-9)


def test_a_buffer_brings_its_noise_by_its_gain_and_keeps_the_cable_behind_it_out() -> None:
    stage = BufferStage(gain_db=20.0, noise=NoiseData(voltage_noise=18e-9))
    chain = (BufferBox(name="buffer", stage=stage), Cable(name="cable", length=5, capacitance_per_length=1e-10))
    noise = rig_noise(load_rig(SINGLE).replace(chain=chain))
    own = {part.part: part.rms for part in noise.parts}["own noise of buffer"]
    assert own == pytest.approx(10 * 18e-9 * math.sqrt(19_980), rel=2e-3)  # 1 kΩ and 0.5 nF: 0.3 MHz


def test_noise_of_a_rig_agrees_with_ngspice(tmp_path: Path) -> None:
    rigs = [load_rig(name) for name in (SINGLE, TWO)]
    rigs += [set_value(rigs[0], "volume", str(at)) for at in (2, 5, 8)] + [set_value(rigs[0], "tone", "0")]
    frequency = np.geomspace(20, 20_000, 9)
    for rig, expected in zip(rigs, simulate_noise([rig.circuit for rig in rigs], frequency, tmp_path)):
        # e_n and i_n with their 1/f part are added by hand: the simulator's stand-in is white
        white = [
            replace(e, voltage_corner_hz=0.0) if hasattr(e, "voltage_corner_hz") else e for e in rig.circuit.elements
        ]
        found = noise_density(replace(rig.circuit, elements=tuple(white)), frequency).total
        assert np.max(np.abs(10 * np.log10(found) - 20 * np.log10(expected))) < 0.005


def test_a_note_of_a_built_pickup_is_the_pluck_of_its_own_prediction(single: Rig) -> None:
    """Two ways to the same volts: the output over the reference coil, and the strings over the build itself."""
    rig = set_value(single, "bridge", "narrow single coil, built")
    build = rig.pickups["bridge"].made_from
    plucks = [output.pluck for output in string_outputs(build)]  # type: ignore[arg-type]
    frequency = np.array([82.4, 110, 146.8, 196, 246.9, 329.6])
    loss = np.mean(20 * np.log10(np.abs(rig.evaluate(frequency))))
    expected = np.mean([20 * math.log10(pluck.value) for pluck in plucks]) + loss - 10 * math.log10(2)
    found = played_signal(rig)
    assert found is not None
    assert found.unknown == ()
    assert found.level_dbv.value == pytest.approx(expected, abs=0.02)
    width = np.mean([20 * math.log10(pluck.high / pluck.low) for pluck in plucks])
    assert found.level_dbv.high - found.level_dbv.low == pytest.approx(width, rel=0.25)


def test_a_silent_rig_has_no_note_and_still_its_noise(single: Rig) -> None:
    noise = rig_noise(set_value(single, "volume", "0"))
    assert noise.signal is None
    assert noise.signal_to_noise_db is None
    assert noise.signal_words == "no string reaches the input"


def test_hum_in_volts_is_faradays_law_by_hand(single: Rig) -> None:
    """2π·50 Hz·0.1 µT·7900·5.6 cm² = 139 µV, less what the pots take at 50 Hz."""
    found = hum_voltage(single)
    assert found is not None
    emf = 2 * math.pi * 50 * 1e-7 * 7900 * 5.6e-4
    assert found.rms == pytest.approx(emf * abs(single.evaluate(np.array([50.0]))[0]), rel=1e-9)
    twice = hum_voltage(single, field_t=2e-7, frequency_hz=60.0)
    assert twice is not None
    assert twice.rms == pytest.approx(2.4 * found.rms, rel=2e-3)  # the pots take a little more at 60 Hz


def test_hum_of_a_pair_is_what_its_mismatch_leaves() -> None:
    found = hum_voltage(load_rig(TWO))
    assert found is not None
    assert found.rms < 1e-9
    emf = 2 * math.pi * 50 * 1e-7 * 5000 * 5.6e-4
    assert found.with_mismatch == pytest.approx(0.01 * emf, rel=0.05)  # half of 1 % each, and the pots' load


def test_hum_is_not_known_where_no_coil_states_its_size(single: Rig) -> None:
    coil = replace(single.pickups["bridge"].coils["main"], area=None)
    rig = single.replace(pickups={"bridge": replace(single.pickups["bridge"], coils={"main": coil})})
    assert hum_voltage(rig) is None
    assert "turns and area" in rig_noise(rig).hum_words


def test_a_field_that_nothing_has_is_refused(single: Rig) -> None:
    with pytest.raises(InputError, match="mains field"):
        hum_voltage(single, field_t=1.0)


@pytest.mark.parametrize("name", [SINGLE, TWO, "Saltmarsh Lane, three pickups"])
def test_the_stated_doubt_holds_pots_off_by_a_fifth_and_typical_noise_of_the_input(name: str) -> None:
    rig = load_rig(name)
    middle = decibel_volts(rig_noise(rig, with_note=False).rms)
    for factor in (0.8, 1.2):
        off = rig
        for part in rig.harness.parts.values():
            if part.kind == "pot":
                off = set_value(off, f"{part.name}.value", f"{part.value * factor:g} Ω")  # type: ignore[attr-defined]
        last = off.chain[-1]
        own = last.noise  # type: ignore[attr-defined]
        louder = replace(
            own, voltage_noise=own.voltage_noise * (1 + 2.5 * (factor - 1)), current_noise=own.current_noise * factor
        )
        moved = decibel_volts(rig_noise(off.with_stage(replace(last, noise=louder)), with_note=False).rms) - middle  # type: ignore[call-arg]
        assert abs(moved) < NOISE_DOUBT_DB


def test_words_name_the_loudest_parts(single: Rig) -> None:
    assert "volume" in rig_noise(set_value(single, "volume", "5")).words.partition(";")[2].split(",")[0]
