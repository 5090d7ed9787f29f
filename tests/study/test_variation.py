"""Numbers of a rig as arrays: every variant equals the rig built for it alone."""

from __future__ import annotations

import pickle
from dataclasses import dataclass, replace
from random import Random
from typing import Any, ClassVar

import numpy as np
import pytest

from labkit.circuit.elements import Element, Resistor
from labkit.circuit.solve.solver import solve
from labkit.core.errors import InputError
from labkit.core.keys import number, quantity
from labkit.core.sheet import Table
from labkit.rig import harness as harness_module
from labkit.rig.chain.chain import Cable
from labkit.rig.chain.stages import BufferBox, VolumePedal
from labkit.rig.inputs import find_input, rig_inputs, with_inputs
from labkit.rig.parts.active import BufferStage
from labkit.rig.parts.parts import FixedInductor, Part, Pot
from labkit.rig.parts.taper import parse_taper
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig
from labkit.rig.variation import Variation
from tests.rig.random_rigs import random_rig

FREQUENCY_HZ = np.geomspace(50, 20_000, 12)

# Element values are equal to some 1e-16; the network may raise that where signals cancel or stand near silence.
SAME = 1e-9
SILENT = 1e-9

FAR_CABLE = Cable(name="far", length=3.0, capacitance_per_length=1e-10)
BUFFER = BufferStage(input_resistance=1e6, input_capacitance=2e-11, gain_db=0.0, output_resistance=1e3)


def single() -> Rig:
    return load_rig("Saltmarsh Lane, narrow single coil")


def assert_variants_equal_rigs(rig: Rig, ranges: dict[str, tuple[float, float]], seed: int = 1, count: int = 3) -> None:
    variation = Variation(rig, ranges)
    random = np.random.default_rng(seed)
    columns = {name: random.uniform(low, high, count) for name, (low, high) in variation.ranges.items()}
    batch = solve(variation.circuit, FREQUENCY_HZ, variation.values(columns)).transfer
    for place in range(count):
        alone = with_inputs(rig, {name: float(column[place]) for name, column in columns.items()})
        expected = alone.evaluate(FREQUENCY_HZ)
        np.testing.assert_allclose(batch[place], expected, rtol=SAME, atol=SILENT)


def spread_ranges(rig: Rig, random: Random) -> dict[str, tuple[float, float]]:
    """Some of a rig's numbers around their values; knobs over an inner part of their travel."""
    ranges = {}
    for name, item in rig_inputs(rig).items():
        if random.random() < 0.4 or not item.value or name.endswith((".turns", "stage_gain")):
            continue
        if not item.unit and name in [knob.name for knob in rig.harness.knobs]:
            ranges[name] = (2.0, 8.0)
        elif name.endswith(".position"):
            ranges[name] = (0.5 * item.value, item.value)
        elif item.unit != "dB":
            ranges[name] = (0.9 * item.value, 1.1 * item.value)
    return ranges


@pytest.mark.parametrize("seed", range(25))
def test_random_rigs_with_random_numbers_varied_equal_the_rigs_built_alone(seed: int) -> None:
    random = Random(f"variation {seed}")
    rig = random_rig(random)
    ranges = spread_ranges(rig, random)
    # The no-load pots of some harnesses open above a rotation: inside 2 … 8 none does.
    assert_variants_equal_rigs(rig, ranges, seed)


def test_every_number_of_a_rig_can_be_varied_at_once() -> None:
    rig = single()
    ranges = {name: (0.8 * item.value, 1.2 * item.value) for name, item in rig_inputs(rig).items() if item.value}
    ranges["volume"] = ranges["tone"] = (1.0, 9.0)
    assert len(ranges) == 14
    assert_variants_equal_rigs(rig, ranges)


def test_knobs_follow_the_corners_of_their_tapers_exactly() -> None:
    variation = Variation(single(), {"volume": (0.0, 10.0)})
    rotation = np.array([0.0, 2.5, 5.0, 7.5, 10.0])
    lower = variation.values({"volume": rotation})["volume.lower"]
    # "audio 10 %": straight pieces through 10 % of the track at half rotation.
    np.testing.assert_allclose(lower, 250e3 * np.array([0, 0.05, 0.1, 0.55, 1.0]), rtol=1e-12)


def test_a_no_load_pot_opens_in_a_batch_as_it_does_alone() -> None:
    rig = single()
    tone = rig.harness.part("tone")
    assert isinstance(tone, Pot)
    rig = rig.replace(parts={"tone": replace(tone, opens_above=0.97)})
    assert_variants_equal_rigs(rig, {"tone": (9.5, 10.0)}, count=6)


def test_a_gang_turns_every_pot_of_it() -> None:
    rig = single()
    wired = rig.harness.with_part(replace(rig.harness.part("tone"), control_name="volume"))
    ganged = Rig(name="gang", pickups=rig.pickups, harness=wired, settings={"volume": 5}, chain=rig.chain)
    assert_variants_equal_rigs(ganged, {"volume": (1.0, 9.0), "tone.value": (2e5, 3e5)})


def test_a_map_that_no_corner_gives_away_is_built_row_by_row() -> None:
    pedal = VolumePedal(name="volume pedal", value=250e3, taper=parse_taper("audio 15 %"), position=6.0)
    rig = single()
    rig = rig.replace(chain=(pedal, *rig.chain))
    variation = Variation(rig, {"volume pedal.position": (2.0, 9.0)})
    assert [group.inputs for group in variation.rows] == [("volume pedal.position",)]
    assert_variants_equal_rigs(rig, {"volume pedal.position": (2.0, 9.0)})


def test_coupled_coils_with_varied_losses_are_treated_as_one() -> None:
    rig = load_rig("Saltmarsh Lane, two pickups").replace(settings={"selector": "both"})
    ranges = {f"bridge.{coil}.eddy1.fraction": (0.2, 0.4) for coil in ("screw", "slug")}
    assert_variants_equal_rigs(rig, ranges | {"bridge.coupling": (0.05, 0.2)})


def test_a_part_that_vanishes_at_an_end_of_its_range_is_varied_through_it() -> None:
    assert_variants_equal_rigs(single(), {"input.capacitance": (0.0, 2e-10), "cable.length": (0.0, 10.0)})


def test_losses_of_a_capacitor_and_the_output_of_a_buffer_are_varied_like_any_value() -> None:
    rig = single()
    lossy = replace(rig.harness.part("tone_capacitor"), loss_tangent=0.01)
    buffered = rig.replace(
        parts={"tone_capacitor": lossy},
        settings={"tone": 2},
        chain=(
            *rig.chain,
            BufferBox(name="box", stage=BUFFER),
            Cable(name="far", length=3, capacitance_per_length=1e-10),
        ),
    )
    ranges = {"tone_capacitor.loss_tangent": (0.0, 0.05), "tone_capacitor.value": (1e-8, 3e-8)}
    assert_variants_equal_rigs(buffered, ranges | {"box.output_resistance": (100.0, 1e4)})


def test_a_number_that_makes_a_part_come_and_go_is_refused_in_words() -> None:
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    coil = FixedInductor(name="choke", nodes=("bridge.hot", "ground"), value=2.0, resistance=100.0)
    rig = rig.replace(harness=replace(rig.harness, parts={**rig.harness.parts, "choke": coil}))
    with pytest.raises(InputError, match=r"choke\.resistance: cannot be varied over this range"):
        Variation(rig, {"choke.resistance": (0.0, 200.0)})


@dataclass(frozen=True, slots=True, kw_only=True)
class LightResistor(Part):
    """A part from elsewhere: two resistors, one of them by a power law that is not multi-affine."""

    kind: ClassVar[str] = "light resistor"
    dark: float = quantity("Ω", meaning="resistance in the dark")
    glow: float = number(meaning="light")

    def elements(self, position: Any) -> tuple[Element, ...]:
        first, second = self.nodes
        return (
            Resistor(name=f"{self.name}.body", nodes=(first, second), resistance=self.dark * (1 + self.glow) ** -0.7),
            Resistor(name=f"{self.name}.glass", nodes=(first, second), resistance=10 * self.dark),
        )


def test_a_part_of_a_plugin_is_varied_without_doing_anything_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = single()
    part = LightResistor(name="light", nodes=("bridge.hot", "ground"), dark=1e6, glow=2.0)
    builtin = harness_module.read_part
    monkeypatch.setattr(
        "labkit.rig.sheet.read_part",
        lambda name, table: LightResistor.read(name, table) if _kind(table) == part.kind else builtin(name, table),
    )
    rig = rig.replace(harness=replace(rig.harness, parts={**rig.harness.parts, "light": part}))
    assert rig_inputs(rig)["light.dark"].unit == "Ω"
    assert_variants_equal_rigs(rig, {"light.dark": (5e5, 2e6)})
    assert_variants_equal_rigs(rig, {"light.dark": (5e5, 2e6), "light.glow": (0.5, 4.0)})


def _kind(table: Table) -> object:
    return table.raw("kind")


def test_a_variation_goes_to_another_process_and_back() -> None:
    variation = Variation(single(), {"cable.length": (1.0, 10.0), "volume": (3.0, 9.0)})
    copy = pickle.loads(pickle.dumps(variation))
    columns = {"cable.length": np.array([2.0, 9.0]), "volume": np.array([4.0, 8.0])}
    for name, values in variation.values(columns).items():
        assert np.array_equal(values, copy.values(columns)[name])


def test_inputs_are_named_as_on_the_command_line() -> None:
    rig = single()
    assert find_input(rig, "tone_capacitor").name == "tone_capacitor.value"
    assert find_input(rig, "cable.length").unit == "m"
    with pytest.raises(InputError, match=r"Did you mean 'cable\.length'"):
        find_input(rig, "cable.lenght")


def test_a_value_written_as_text_comes_back_to_the_last_digit() -> None:
    rig = single()
    value = 5.123456789012345
    cable = with_inputs(rig, {"cable.length": value}).stage("cable")
    assert isinstance(cable, Cable)
    assert cable.length == value


def test_what_is_taken_over_from_another_variation_is_what_this_one_would_find(monkeypatch):
    rig, ranges = single(), {"cable.capacitance": (9e-11, 1.3e-10), "volume.value": (2e5, 3e5)}
    before = Variation(rig, ranges)
    built = []
    monkeypatch.setattr(
        Variation,
        "_map_group",
        lambda self, names, places, real=Variation._map_group: (built.append(names), real(self, names, places))[1],
    )
    after = Variation(rig.replace(settings={"volume": 3.0}), ranges, like=before)
    assert built == [["volume.value"]]  # the cable's map is kept, the turned pot's is not
    built.clear()
    same = rig.replace(chain=tuple(replace(stage) for stage in rig.chain))
    Variation(same, ranges, like=before)
    assert built == [["volume.value"]]  # an equal cable is the same cable
    assert not after.by_group.get("volume")  # a pot has its own formula, whether its knob is varied or not
    columns = {name: np.array(ends) for name, ends in ranges.items()}
    fresh = Variation(rig.replace(settings={"volume": 3.0}), ranges).values(columns)
    for name, values in after.values(columns).items():
        np.testing.assert_allclose(values, fresh[name], rtol=1e-12)
