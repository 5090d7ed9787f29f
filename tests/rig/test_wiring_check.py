"""Deliberate mistakes in wirings: each is refused when read, or loads with one warning that names part and cause."""

from __future__ import annotations

import copy
import re

import pytest

from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.rig.harness import harness_data, read_harness
from labkit.rig.netlist import netlist_rig
from labkit.rig.rewiring import demo_rig
from labkit.rig.wiring_check import wiring_warnings

ONE = "one volume, one tone"
TWO = "two pickups, one volume, one tone, three-way"
FOUR = "two pickups, two volumes, two tones, coupled"
SPLIT = "two-coil, series, split or parallel"
PHASE = "two pickups, phase switch"


def _lugs(part, *nodes):
    def change(data):
        data["parts"][part]["nodes"] = list(nodes)

    return change


def _joins(part, **positions):
    def change(data):
        data["parts"][part]["positions"].update(positions)

    return change


def _add(name, kind, *nodes, **keys):
    def change(data):
        data["parts"][name] = {"kind": kind, "nodes": list(nodes), **keys}

    return change


def _output(node):
    def change(data):
        data["output"] = node

    return change


def _both(*changes):
    def change(data):
        for each in changes:
            each(data)

    return change


MISTAKES = {
    "track ends both on hot": (ONE, _lugs("volume", "bridge.hot", "tip", "bridge.hot"), "'volume' has both ends"),
    "track ends both on ground": (ONE, _lugs("volume", "ground", "tip", "ground"), "'volume' has both ends"),
    "output through a grounded wiper": (
        ONE,
        _lugs("volume", "bridge.hot", "ground", "tip"),
        "'volume' has its wiper on ground",
    ),
    "volume lugs swapped": (
        ONE,
        _lugs("volume", "ground", "tip", "bridge.hot"),
        "no signal reaches the jack with 'volume' at 10, .* outer lugs swapped",
    ),
    "one volume of two swapped": (
        FOUR,
        _lugs("neck_volume", "ground", "neck_out", "neck.hot"),
        "'neck_volume' at 10 with 'selector' at 'neck'.* outer lugs swapped",
    ),
    "no path to the tip": (ONE, _lugs("volume", "-", "tip", "ground"), "'volume' has an open lug"),
    "a path to the tip only from the capacitor": (
        ONE,
        _both(_lugs("volume", "bridge.hot", "tone_node", "ground"), _lugs("tone_capacitor", "tip", "ground")),
        "no path leads from a pickup to 'tip', where only 'tone_capacitor'",
    ),
    "hot grounded in a position": (
        TWO,
        _joins("selector", neck=[["neck.hot", "bus"], ["bus", "ground"]]),
        "with 'selector' at 'neck'.* joined to ground by 'selector'",
    ),
    "a throw on ground instead of the pickup": (
        TWO,
        _joins("selector", neck=[["bus", "ground"]]),
        "with 'selector' at 'neck'.*'bus' is joined to ground by 'selector'",
    ),
    "tip grounded in a position": (
        TWO,
        _joins("selector", bridge=[["bridge.hot", "bus"], ["tip", "ground"]]),
        "with 'selector' at 'bridge'.* 'tip' is joined to ground",
    ),
    "a position that joins nothing": (TWO, _joins("selector", neck=[]), "with 'selector' at 'neck'.* selects = \\[\\]"),
    "tone capacitor with both ends on one node": (
        ONE,
        _lugs("tone_capacitor", "tone_node", "tone_node"),
        "capacitor 'tone_capacitor' has both ends on 'tone_node'",
    ),
    "tone capacitor with both ends on ground": (
        ONE,
        _both(_lugs("tone_capacitor", "ground", "ground"), _lugs("tone", "tone_node", "tone_node", "bridge.hot")),
        "capacitor 'tone_capacitor' has both ends on 'ground'",
    ),
    "bleed capacitor across nothing": (
        "volume with a capacitor bleed",
        _lugs("bleed", "tip", "tip"),
        "capacitor 'bleed' has both ends on 'tip'",
    ),
    "load resistor across nothing": (
        "one volume with load trims",
        _lugs("load_resistor", "bridge.hot", "bridge.hot"),
        "resistor 'load_resistor' has both ends",
    ),
    "screened lead with its screen on its conductor": (
        "one volume, one tone, screened leads",
        _lugs("jack_lead", "tip", "tip"),
        "screened lead 'jack_lead' has both ends on 'tip'",
    ),
    "dummy coil with both ends on ground": (
        "dummy coil in parallel",
        _lugs("dummy", "ground", "ground"),
        "dummy coil 'dummy' has both ends on 'ground'",
    ),
    "tone pot without its capacitor": (
        ONE,
        _both(_lugs("tone", "-", "ground", "bridge.hot"), _lugs("tone_capacitor", "tip", "ground")),
        "'tone' stands between 'bridge.hot' and ground with no capacitor, so that at 0",
    ),
    "tone lugs swapped": (ONE, _lugs("tone", "bridge.hot", "tone_node", "-"), "'tone' is brighter at 0 than at 10"),
    "wiper and track end on one node": (ONE, _lugs("tone", "-", "tone_node", "tone_node"), "pot 'tone' does nothing"),
    "volume without its ground": (ONE, _lugs("volume", "bridge.hot", "tip", "-"), "'volume' does not close"),
    "volume as a rheostat the wrong way": (ONE, _lugs("volume", "-", "tip", "bridge.hot"), "'volume' is louder at 0"),
    "tip on the hot lead, past the volume": (
        ONE,
        _both(_output("bridge.hot"), _add("load", "capacitor", "tip", "ground", value="1n")),
        "'volume' does not close",
    ),
    "wiper left in the air": (
        ONE,
        _both(
            _lugs("volume", "bridge.hot", "loose", "ground"),
            _output("bridge.hot"),
            _add("end", "resistor", "loose", "far", value="10k"),
            _add("end2", "resistor", "far", "loose", value="10k"),
        ),
        "turning 'volume' changes nothing",
    ),
    "a pickup that no position selects": (
        TWO,
        _both(
            _joins(
                "selector",
                both=[["neck.hot", "bus"], ["tone_node", "bus"]],
                bridge=[["neck.hot", "bus"], ["tip", "bus"]],
            ),
        ),
        "pickup 'bridge' is heard in no position",
    ),
    "a position copied and not changed": (
        TWO,
        _joins("selector", both=[["neck.hot", "bus"]]),
        "switch 'selector' joins the same nodes at 'neck' and at 'both'",
    ),
    "a pickup shorted by the phase switch": (
        PHASE,
        _joins(
            "phase",
            in_phase=[["neck.hot", "neck_plus"], ["neck.ground", "neck_plus"]],
        ),
        "with 'phase' at 'in_phase' and 'selector' at 'neck'.* both leads of 'neck' are joined by 'phase'",
    ),
    "start and finish of a coil exchanged": (
        SPLIT,
        _joins("coils", series=[["bridge.first.start", "bridge.second.start"], ["bridge.second.finish", "ground"]]),
        "two coils of 'bridge' work against each other with 'coils' at 'series'",
    ),
    "an island of parts that leads nowhere": (
        ONE,
        _both(
            _add("one", "capacitor", "island", "shore", value="1n"),
            _add("two", "resistor", "shore", "island", value="1k"),
        ),
        "'one' and the resistor 'two' influence nothing",
    ),
}

REFUSALS = {
    "the jack's tip named ground": (ONE, _output("ground"), "output: is ground"),
    "a buffer into itself": (
        "buffer after the volume",
        _lugs("buffer", "tip", "tip"),
        "buffer's input and output must be two",
    ),
    "a contact from a node to itself": (TWO, _joins("selector", neck=[["bus", "bus"]]), "'bus' to itself"),
    "a misspelt node": (ONE, _lugs("tone_capacitor", "tone_nod", "ground"), "is joined to nothing else"),
    "a terminal that no pickup has": (ONE, _lugs("volume", "bridge.hit", "tip", "ground"), "is no terminal"),
    "a pot without wiper": (ONE, _lugs("volume", "bridge.hot", "-", "ground"), "wiper must be joined"),
    "an output that nothing touches": (ONE, _output("jack"), "is joined to nothing else"),
}


def _changed(name, change):
    data = copy.deepcopy(harness_data(catalogue().load("harness", name)))
    data.pop("claims", None)
    change(data)
    return read_harness(Table(data, "mistake.toml"))


@pytest.mark.parametrize(("name", "change", "said"), MISTAKES.values(), ids=MISTAKES)
def test_a_mistake_loads_with_one_warning_that_names_it(name, change, said):
    found = wiring_warnings(demo_rig(_changed(name, change)))
    assert len(found) == 1, found
    assert re.search(said, found[0]), found[0]


@pytest.mark.parametrize(("name", "change", "said"), REFUSALS.values(), ids=REFUSALS)
def test_what_cannot_be_a_circuit_is_refused_in_a_sentence(name, change, said):
    with pytest.raises(InputError, match=said) as refused:
        _changed(name, change)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("name", catalogue().names("harness"))
def test_a_wiring_of_the_catalogue_has_no_warning(name):
    assert wiring_warnings(demo_rig(catalogue().load("harness", name))) == ()


@pytest.mark.parametrize("name", catalogue().names("rig"))
def test_a_rig_of_the_catalogue_has_no_warning(name):
    assert wiring_warnings(catalogue().load("rig", name)) == ()


def test_a_volume_turned_down_is_no_fault():
    rig = demo_rig(catalogue().load("harness", ONE))
    assert wiring_warnings(rig.replace(settings={"volume": 0})) == ()


def test_a_blend_between_two_equal_pickups_is_no_idle_knob():
    rig = demo_rig(catalogue().load("harness", "two pickups, blend"))
    equal = rig.replace(pickups=dict.fromkeys(rig.pickups, rig.pickups["bridge"]))
    assert wiring_warnings(equal) == ()


def test_what_was_found_with_other_values_is_not_said_again():
    rig = demo_rig(catalogue().load("harness", ONE))
    assert wiring_warnings(rig) == ()
    data = copy.deepcopy(harness_data(rig.harness))
    data["parts"]["tone_capacitor"]["value"] = "0.001 pF!"
    tiny = rig.replace(harness=read_harness(Table(data, "tiny.toml")))
    assert wiring_warnings(tiny) != ()
    assert wiring_warnings(rig) == ()


def test_faults_of_a_netlist_are_named_too():
    plain = ["volume", "V1 in 0 AC 1", "R1 in out 250k", "R2 out 0 250k"]

    def warned(*more):
        return netlist_rig("\n".join([*plain, *more, ".end"])).warnings

    assert warned() == ()
    assert warned("R3 out out 1k") == ("the resistor 'R3' has both ends on 'out', so it does nothing",)
    assert warned("C1 out loose 22n") == (
        "the capacitor 'C1' influences nothing in any position: does one of its ends lead nowhere?",
    )
    assert warned("V2 away 0 AC 1", "R3 away 0 1k") == (
        "the source 'V2' is heard in no position: is one of its ends joined to the wrong node?",
    )
    assert warned("V2 out 0 0") == ("no signal reaches the jack: 'out' is joined to ground",)


def test_a_netlist_that_can_have_no_formula_is_tried_all_the_same():
    ladder = [f"R{n} n{n} n{n + 1} 1\nC{n} n{n + 1} 0 1p" for n in range(400)]
    assert netlist_rig("\n".join(["line", "V1 n0 0 AC 1", *ladder, ".print ac v(n400)"])).warnings == ()
    stage = [
        "stage",
        "V1 in 0 AC 1",
        "R1 in 0 1meg",
        "G1 0 out in 0 1m",
        "R2 out 0 10k",
        "V2 away 0 AC 1",
        "R3 away 0 1k",
    ]
    assert "'V2'" in netlist_rig("\n".join(stage)).warnings[0]


def test_a_piezo_that_reaches_nothing_is_named():
    change = _both(_lugs("piezo_buffer", "bridge.hot", "piezo_side"), _add("load", "resistor", "piezo_hot", "ground"))
    harness = _changed("pickup and piezo blend", _both(change, lambda data: data["parts"]["load"].update(value="1M")))
    assert demo_rig(harness).warnings[0].startswith("the source 'piezo' is heard in no position")
