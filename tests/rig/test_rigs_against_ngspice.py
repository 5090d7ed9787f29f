"""300 random rigs and every corner of the controls: against ngspice by two decks, and against 40 digits."""

from __future__ import annotations

from pathlib import Path
from random import Random

import numpy as np
import pytest

from labkit.circuit.solve.solver import solve
from labkit.circuit.spice.deck import spice_deck, spice_node_names
from labkit.rig.rig import Rig
from tests.circuit.exact import solve_exactly
from tests.circuit.ngspice import read_raw, run_commands, simulate
from tests.rig.random_rigs import corner_rigs, harnesses, random_rig

FREQUENCY_HZ = np.geomspace(20, 20_000, 25)

# What a reader of a curve could ever see; ngspice and the solver agree to about 1e-7 dB in fact.
DECIBEL = 1e-3
DEGREE = 0.01
SMALLEST_GAIN = 1e-5
"""−100 dB."""

BATCH = 50


def assert_levels_and_phases_agree(got: np.ndarray, expected: np.ndarray, rig: Rig) -> int:
    """Compare where the gain is above −100 dB, and return at how many points that is."""
    heard = np.abs(expected) > SMALLEST_GAIN
    ratio = got[heard] / expected[heard]
    off_db = np.max(np.abs(20 * np.log10(np.abs(ratio))), initial=0.0)
    off_deg = np.max(np.abs(np.degrees(np.angle(ratio))), initial=0.0)
    assert off_db < DECIBEL, f"{off_db} dB: {rig.harness.name}, {dict(rig.settings)}"
    assert off_deg < DEGREE, f"{off_deg}°: {rig.harness.name}, {dict(rig.settings)}"
    # Where one route is silent the other must be, too: below −100 dB both, with a margin for the edge itself.
    assert np.all(np.abs(got[~heard]) < 1.001 * SMALLEST_GAIN)
    return int(np.count_nonzero(heard))


@pytest.mark.ngspice
@pytest.mark.parametrize("start", range(0, 300, BATCH))
def test_random_rigs_agree_with_ngspice_by_an_independent_deck(start: int, tmp_path: Path) -> None:
    rigs = [random_rig(Random(f"rig {seed}")) for seed in range(start, start + BATCH)]
    compared = 0
    for rig, sweep in zip(rigs, simulate([rig.circuit for rig in rigs], FREQUENCY_HZ, tmp_path)):
        compared += assert_levels_and_phases_agree(rig.evaluate(sweep.frequency_hz), sweep.transfer, rig)
        impedance = rig.output_impedance(sweep.frequency_hz)
        # A wiper at its end is 1 nΩ to the solver: hence the floor in ohms.
        np.testing.assert_allclose(impedance, sweep.output_impedance, rtol=1e-6, atol=2e-8)
    assert compared > BATCH * len(FREQUENCY_HZ) / 4


@pytest.mark.ngspice
@pytest.mark.parametrize("start", range(0, 300, BATCH))
def test_random_rigs_agree_with_ngspice_by_the_exported_deck(start: int, tmp_path: Path) -> None:
    rigs = [random_rig(Random(f"rig {seed}")) for seed in range(start, start + BATCH)]
    commands = ["set noaskquit"]
    for number, rig in enumerate(rigs):
        deck = spice_deck(rig.circuit, points_per_decade=8)
        (tmp_path / f"deck{number}.cir").write_text(deck, encoding="utf-8")
        output = spice_node_names(rig.circuit)[rig.circuit.output]
        commands += [f"source deck{number}.cir", "run", f"write deck{number}.raw v({output})", "destroy all", "remcirc"]
    run_commands(commands, tmp_path)
    compared = 0
    for number, rig in enumerate(rigs):
        frequency_hz, voltage = read_raw(tmp_path / f"deck{number}.raw")
        assert frequency_hz[0] == pytest.approx(20)
        compared += assert_levels_and_phases_agree(voltage, rig.evaluate(frequency_hz), rig)
    assert compared > BATCH * 25 / 4


@pytest.mark.parametrize("harness", harnesses(), ids=lambda harness: harness.name)
def test_controls_at_their_ends_are_exact_to_a_millionth_of_a_decibel(harness) -> None:
    frequency_hz = np.array([100.0, 6_000.0])
    compared = 0
    for rig in corner_rigs(harness, at_most=6):
        transfer = solve(rig.circuit, frequency_hz).transfer
        for place, frequency in enumerate(frequency_hz):
            exact, _ = solve_exactly(rig.circuit, float(frequency))
            if abs(exact) > SMALLEST_GAIN:
                compared += 1
                assert abs(20 * np.log10(abs(transfer[place] / exact))) < 1e-6, rig.name
            else:
                # A volume at zero leaves 1 nΩ against kilohms, which is 1e-13, in place of exact silence.
                assert abs(transfer[place] - exact) < 1e-10, rig.name
    assert compared > 0
