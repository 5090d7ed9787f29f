"""A wiring from a SPICE netlist does what the netlist does; what it cannot be is refused by name."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.rig.netlist import read_netlist
from labkit.rig.rewiring import rewired
from labkit.rig.sheet import load_pickup, load_rig

HALF_WAY = """volume at half way with a bleed
Vbridge hot 0 AC 1
RU hot out 225k
RL out 0 25k
CB hot out 680p
RT hot t 250k
CT t 0 22n
.print ac v(out)
.end
"""


def test_a_netlist_and_the_sheet_of_the_same_wiring_give_one_curve():
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    frequency = np.geomspace(50, 20e3, 40)
    from_netlist = rewired(rig, read_netlist(HALF_WAY)).response(frequency).gain_db
    sheet = rewired(rig, "volume with a capacitor bleed")
    bleed = next(part for part in sheet.harness.parts.values() if part.kind == "capacitor" and "tip" in part.nodes)
    pots = {name: replace(sheet.harness.part(name), value=250e3) for name in ("volume", "tone")}
    same = sheet.replace(settings={"volume": 5.0}, parts={**pots, bleed.name: replace(bleed, value=680e-12)})
    # the same circuit by two readers (audio 10 % at half way: 225 and 25 kΩ): rounding of the solver only
    assert from_netlist == pytest.approx(same.response(frequency).gain_db, abs=1e-6)


def test_two_sources_on_one_node_are_two_pickups_in_parallel():
    rig = load_rig("Saltmarsh Lane, two pickups")
    frequency = np.geomspace(50, 20e3, 40)
    text = "both\nVneck a 0 AC 1\nVbridge a 0 AC 1\nRV a 0 500k\nRT a t 500k\nCT t 0 22n\nRO a out 1\n.end"
    wiring = read_netlist(text)
    assert wiring.slots == ("neck", "bridge")
    sheet = rig.replace(settings={"selector": "both", "volume": 10.0, "tone": 10.0})
    # 1 Ω in two places beside coils of 6 kΩ: some thousandths of a decibel
    assert rewired(rig, wiring).response(frequency).gain_db == pytest.approx(
        sheet.response(frequency).gain_db, abs=0.01
    )


def test_a_reversed_source_is_a_reversed_pickup():
    rig = load_rig("Saltmarsh Lane, two pickups").replace(pickups={"neck": load_pickup("two-coil")})
    text = "two\nVneck a 0 AC 1\nVbridge b 0 AC 1 180\nR1 a out 100k\nR2 b out 100k\n.end"
    # equal pickups through equal resistors cancel at equal EMF
    assert rewired(rig, read_netlist(text)).response(np.array([400.0])).gain_db[0] < -60


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("none\nR1 a out 1k\nR2 out 0 1k\n.end", "no source with an AC value"),
        ("coil\nV1 a 0 AC 1\nR1 a b 6k\nL1 b out 2.4\nC1 out 0 110p\n.end", "leave the pickup's own R, L and C out"),
        ("buffer\nVb a 0 AC 1\nR1 a 0 1MEG\nE1 out 0 a 0 1\nR2 out 0 1k\n.end", "write a harness sheet"),
        ("mega\nV1 a 0 AC 1\nR1 a out 1M\nR2 out 0 1k\n.end", "1M"),
        ("", "mine.cir"),
    ],
)
def test_what_is_no_wiring_is_refused_in_a_sentence(text, words):
    with pytest.raises(InputError) as refused:
        read_netlist(text, "mine.cir")
    assert words in str(refused.value)
    assert str(refused.value).startswith("mine.cir: ")
