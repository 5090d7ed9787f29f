"""What holds for every rig that can be built, whatever its harness, values and settings."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.circuit.elements import ControlledSource, ControlledVoltage, InputNoise
from labkit.circuit.solve.noise import BOLTZMANN, noise_density
from labkit.circuit.solve.stability import stability
from labkit.core.sheet import Table
from labkit.rig.harness import Harness
from labkit.rig.rig import Rig
from labkit.rig.sheet import read_rig, rig_data
from tests.rig.random_rigs import corner_rigs, harnesses, random_rig

FREQUENCY_HZ = np.geomspace(20, 20_000, 25)
EXTREME_HZ = np.array([1e-3, 20.0, 1e3, 20e3, 1e8])

randoms = st.randoms(use_true_random=False)


@given(randoms, st.booleans())
def test_every_rig_has_a_finite_response_with_or_without_a_chain(random: Random, has_chain: bool) -> None:
    rig = random_rig(random)
    assert_finite(rig if has_chain else rig.replace(chain=()))


@pytest.mark.parametrize("harness", harnesses(), ids=lambda harness: harness.name)
def test_every_harness_has_a_finite_response_with_its_knobs_at_their_ends(harness: Harness) -> None:
    for rig in corner_rigs(harness, at_most=16):
        assert_finite(rig)
        assert_finite(rig.replace(chain=()))


def assert_finite(rig: Rig) -> None:
    assert np.all(np.isfinite(rig.evaluate(EXTREME_HZ))), rig.name
    assert np.all(np.isfinite(rig.output_impedance(EXTREME_HZ))), rig.name
    response = rig.response(EXTREME_HZ[:-1])  # beyond a megahertz a response is refused
    assert np.all(np.isfinite(response.gain_db)), rig.name


@given(randoms)
def test_no_rig_without_feedback_has_negative_resistance_and_one_with_it_is_stable(random: Random) -> None:
    """What holds for passive parts is no law for active ones: these must die away instead."""
    rig = random_rig(random)
    if rig.circuit.of_kind(ControlledVoltage):
        assert stability(rig.circuit).is_stable, rig.warnings
        return
    impedance = rig.output_impedance(FREQUENCY_HZ)
    # A reactance may hide a resistance 1e9 times smaller in rounding.
    assert np.all(impedance.real >= -1e-9 * np.abs(impedance))


@given(randoms)
def test_noise_of_a_rig_is_finite_and_not_below_that_of_its_output_resistance(random: Random) -> None:
    """Passive parts make 4kT·Re(Z) together (Nyquist); an amplifier's e_n and i_n come on top."""
    rig = random_rig(random)
    noise = noise_density(rig.circuit, FREQUENCY_HZ)
    assert np.all(np.isfinite(noise.total))
    controlled = [e for e in rig.circuit.elements if isinstance(e, ControlledSource)]
    if controlled:
        return
    own = sum(power for name, power in noise.power.items() if isinstance(rig.circuit[name], InputNoise))
    impedance = rig.output_impedance(FREQUENCY_HZ)
    expected = 4 * BOLTZMANN * 293.15 * impedance.real
    np.testing.assert_allclose(noise.total - own, expected, rtol=1e-6, atol=1e-26 * np.abs(impedance).max())


@given(randoms)
def test_pickups_heard_alone_add_up_to_the_rig(random: Random) -> None:
    rig = random_rig(random)
    together = sum(rig.evaluate(FREQUENCY_HZ, source=source) for source in rig.sources if "." not in source)
    # Rounding; where pickups cancel it is measured against 1 V of each.
    np.testing.assert_allclose(together, rig.evaluate(FREQUENCY_HZ), rtol=1e-9, atol=1e-11)


@given(randoms)
def test_saving_a_rig_keeps_its_response(random: Random) -> None:
    rig = random_rig(random)
    again = read_rig(Table({"sheet": "rig", "format": 1, **rig_data(rig)}, "saved rig"))
    # Saved quantities read back to the same number, or its last digit where a prefix is scaled.
    np.testing.assert_allclose(again.evaluate(FREQUENCY_HZ), rig.evaluate(FREQUENCY_HZ), rtol=1e-9, atol=1e-11)
