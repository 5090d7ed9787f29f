"""Every wiring of the catalogue is held to what its sheet claims, in every position of its switches."""

from __future__ import annotations

import dataclasses
import itertools
import re

import numpy as np
import pytest

from labkit.catalogue import catalogue
from labkit.core.errors import SheetError
from labkit.core.response import gain_db
from labkit.core.sheet import Table
from labkit.rig.claims import Claim
from labkit.rig.harness import harness_data, read_harness
from labkit.rig.hum import broken_claims, hum_residual, position_facts
from labkit.rig.parts.parts import Switch
from labkit.rig.rewiring import demo_rig

WIRINGS = catalogue().names("harness")
ONE = "one volume, one tone"
TWO = "two pickups, one volume, one tone, three-way"


def _rig(name, **settings):
    return demo_rig(catalogue().load("harness", name)).replace(settings=settings)


def _places(harness):
    chosen = itertools.product(*[selector.positions for selector in harness.selectors])
    return [dict(zip([selector.name for selector in harness.selectors], positions)) for positions in chosen]


@pytest.mark.parametrize("name", WIRINGS)
def test_a_wiring_keeps_its_claims_in_every_position(name):
    assert broken_claims(_rig(name)) == ()


@pytest.mark.parametrize("name", WIRINGS)
def test_every_position_of_every_wiring_claims_what_it_selects_and_its_hum(name):
    rig = _rig(name)
    for place in _places(rig.harness):
        here = [claim for claim in rig.harness.claims if claim.holds_at({**rig.settings, **place})]
        assert any(claim.selects is not None for claim in here), place
        assert any(claim.selects == () or claim.hum is not None for claim in here), place


@pytest.mark.parametrize("name", WIRINGS)
def test_words_that_claim_something_are_backed_by_data(name):
    harness = catalogue().load("harness", name)
    words = f"{harness.summary} {harness.purpose}".casefold()
    backed = {
        "hum": [claim for claim in harness.claims if claim.hum],
        "cancels? (the )?hum|cancel hum": [claim for claim in harness.claims if claim.hum == "cancels"],
        "out of phase": [
            claim
            for claim in harness.claims
            if claim.phase == "out" or dict(claim.where).get("phase") == "half_reversed"
        ],
        r"\bin phase": [claim for claim in harness.claims if claim.phase == "in"],
        "silences|silence": [claim for claim in harness.claims if claim.selects == () or claim.phase == "out"],
        "switch|position": [claim for claim in harness.claims if claim.selects is not None],
    }
    for claiming, claims in backed.items():
        if re.search(claiming, words):
            assert claims, f"'{claiming}' stands in the words, and no claim backs it"


def test_a_selector_that_closes_two_throws_at_once_names_its_switch():
    for name in WIRINGS:
        for part in catalogue().load("harness", name).parts.values():
            if not isinstance(part, Switch):
                continue
            for pairs in part.positions.values():
                nodes = [node for pair in pairs for node in pair if node != "ground"]
                assert part.device or len(nodes) == len(set(nodes)), f"{name}: {part.name}"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        # the faults that once stood in the catalogue: the dummy's ends swapped, and coils of one sense joined
        (
            ("dummy coil in series", "dummy", {"nodes": ("bridge.ground", "ground")}),
            "claims that hum cancels; it is 'adds'",
        ),
        (
            ("dummy coil in parallel", "dummy", {"nodes": ("bridge.hot", "ground")}),
            "claims that hum cancels; it is 'adds'",
        ),
    ],
)
def test_swapped_ends_of_a_dummy_break_its_claim(change, said):
    name, part, keys = change
    rig = _rig(name)
    broken = broken_claims(rig.replace(parts={part: dataclasses.replace(rig.harness.part(part), **keys)}))
    assert len(broken) == 1
    assert said in broken[0]


def test_like_coils_joined_break_the_claims_of_the_five_way_with_splits():
    rig = _rig("two two-coil pickups, five-way with splits")
    selector = rig.harness.part("selector")
    swap = {"bridge.first": "bridge.second", "bridge.second": "bridge.first"}

    def exchanged(node):
        coil, _, end = node.rpartition(".")
        return f"{swap[coil]}.{end}" if coil in swap else node

    positions = {
        name: tuple((exchanged(one), exchanged(two)) for one, two in pairs) if "coils" in name else pairs
        for name, pairs in selector.positions.items()
    }
    broken = broken_claims(rig.replace(parts={"selector": dataclasses.replace(selector, positions=positions)}))
    assert [sentence for sentence in broken if "hum" in sentence and "inner coils" in sentence]
    assert [sentence for sentence in broken if "hum" in sentence and "outer coils" in sentence]


def test_a_wrong_selection_and_a_wrong_phase_are_told():
    rig = _rig(TWO)
    claims = (Claim(where={"selector": "neck"}, selects=("bridge",)), Claim(where={"selector": "both"}, phase="out"))
    broken = broken_claims(rig.replace(harness=dataclasses.replace(rig.harness, claims=claims)))
    assert ["claims to select bridge; heard is neck.main" in broken[0], "'in'" in broken[1]] == [True, True]


def _level(rig, hertz, source=None):
    return float(gain_db(rig.evaluate(np.array([hertz]), source=source))[0])


def _over(hertz, name, **settings):
    return _level(_rig(name, **settings), hertz) - _level(_rig(name, **settings), 400.0)


MIDDLE = "third pickup joined by a rheostat"
FIVE = "three pickups, five-way, one volume, two tones"
CAPACITOR = "two-coil, partial split through a capacitor"
RESISTOR = "two-coil, partial split through a resistor"
LEADS = "one volume, one tone, screened leads"
PHASE = "two pickups, phase switch"
HALF = "two pickups, half out of phase"

NUMBERS_IN_WORDS = [
    (MIDDLE, "36 dB", lambda: -_level(_rig(MIDDLE, selector="bridge", join=0), 400.0, "middle")),
    (MIDDLE, "18 dB", lambda: -_level(_rig(MIDDLE, selector="bridge", join=5), 400.0, "middle")),
    (MIDDLE, "10 dB", lambda: -_level(_rig(MIDDLE, selector="bridge", join=9), 400.0, "middle")),
    (MIDDLE, "6 dB", lambda: -_level(_rig(MIDDLE, selector="bridge", join=10), 400.0, "middle")),
    (FIVE, "4.7 dB", lambda: _rig(FIVE, selector="neck and middle").response().peak.height_db),
    (FIVE, "7.0 dB", lambda: _rig(FIVE, selector="middle and bridge").response().peak.height_db),
    (FIVE, "7.5 dB", lambda: _rig(FIVE, selector="bridge").response().peak.height_db),
    (CAPACITOR, "25 dB", lambda: -hum_residual(_rig(CAPACITOR, coils="partial")).level_db),
    (CAPACITOR, "12 dB", lambda: -hum_residual(_rig(CAPACITOR, coils="partial"), frequency_hz=300.0).level_db),
    (CAPACITOR, "5 dB", lambda: hum_residual(_rig(CAPACITOR, coils="partial"), frequency_hz=1000.0).level_db),
    (RESISTOR, "1.5 dB", lambda: (
        _level(_rig(RESISTOR, coils="partial"), 400.0)
        - _level(_rig("two-coil, series or lifted split", coils="split"), 400.0)
    )),
    (RESISTOR, "3 dB", lambda: -hum_residual(_rig(RESISTOR, coils="partial")).level_db),
    (LEADS, "3.2 kHz", lambda: _rig(LEADS).response().peak.frequency_hz / 1e3),
    (LEADS, "3.5 kHz", lambda: _rig(ONE).response().peak.frequency_hz / 1e3),
    (LEADS, "0.9 dB", lambda: _level(_rig(LEADS), 3000.0) - _level(_rig(ONE), 3000.0)),
    (LEADS, "2.2 dB", lambda: _level(_rig(ONE), 5000.0) - _level(_rig(LEADS), 5000.0)),
    (PHASE, "−34 dB", lambda: _level(_rig(PHASE, phase="reversed"), 400.0)),
    (PHASE, "−30 dB", lambda: _level(_rig(PHASE, phase="reversed"), 3000.0)),
    (HALF, "10 dB", lambda: -_level(_rig(HALF, phase="half_reversed"), 1000.0)),
    (HALF, "24 dB", lambda: -_level(_rig(HALF, phase="half_reversed"), 3000.0)),
    ("volume with a capacitor bleed", "3.6 dB", lambda: _over(3000.0, "volume with a capacitor bleed")),
    ("volume with a capacitor bleed", "10.6 dB", lambda: _over(3000.0, "volume with a capacitor bleed", volume=5)),
    ("two pickups, master volume, tone for each", "10.6 dB", lambda: (
        _over(3000.0, "two pickups, master volume, tone for each", volume=5)
    )),
    ("tapped coil", "3 dB", lambda: (
        _level(_rig("tapped coil"), 400.0) - _level(_rig("tapped coil", coils="tap"), 400.0)
    )),
    ("tapped coil", "4.0", lambda: _rig("tapped coil", coils="tap").response().peak.frequency_hz / 1e3),
    ("tapped coil", "2.8 kHz", lambda: _rig("tapped coil").response().peak.frequency_hz / 1e3),
    ("two two-coil pickups, five-way with splits", "6 dB", lambda: (
        -_level(_rig("two two-coil pickups, five-way with splits", selector="inner coils"), 400.0)
    )),
    ("dummy coil in parallel", "6 dB", lambda: (
        _level(_rig(ONE), 400.0) - _level(_rig("dummy coil in parallel"), 400.0)
    )),
    ("dummy coil in parallel", "5.5 kHz", lambda: _rig("dummy coil in parallel").response().peak.frequency_hz / 1e3),
    ("dummy coil in parallel", "−26 dB", lambda: hum_residual(_rig("dummy coil in parallel")).with_mismatch_db),
    ("dummy coil in parallel", "−16 dB", lambda: (
        hum_residual(_rig("dummy coil in parallel"), frequency_hz=1000.0).with_mismatch_db
    )),
    ("dummy coil in series", "−40 dB", lambda: hum_residual(_rig("dummy coil in series")).with_mismatch_db),
    ("dummy coil in series", "−35 dB", lambda: (
        hum_residual(_rig("dummy coil in series"), frequency_hz=1000.0).with_mismatch_db
    )),
    ("dummy coil in series", "3.0 kHz", lambda: _rig("dummy coil in series").response().peak.frequency_hz / 1e3),
]  # fmt: skip


@pytest.mark.parametrize(("name", "printed", "computed"), NUMBERS_IN_WORDS)
def test_a_number_in_the_words_of_a_wiring_is_the_computed_one(name, printed, computed):
    harness = catalogue().load("harness", name)
    assert printed in f"{harness.summary} {harness.purpose}"
    digits = printed.partition(" ")[0].replace("−", "-")
    # half a unit of the last digit printed; "6 dB" of a level that is 6.1 to 6.5 is the plain word for a half
    assert computed() == pytest.approx(float(digits), abs=0.051 if "." in digits else 0.51)


def test_a_dummy_in_series_cancels_hum_below_60_db_with_the_values_of_its_sheet():
    # 70 dB: what its own capacitances leave at 100 Hz, with equal turns × area
    assert hum_residual(_rig("dummy coil in series")).level_db == pytest.approx(-70, abs=2)


def test_a_cancelled_hum_is_told_with_the_mismatch_of_real_coils():
    facts = position_facts(_rig("two-coil, series, split or parallel"))
    assert facts.residual.level_db < -200
    assert facts.hum_words == "cancels: −40 dB if the coils differ by 1 %"
    assert position_facts(_rig("two-coil, series, split or parallel", coils="split")).hum_words == "as one coil"
    partial = position_facts(_rig(CAPACITOR, coils="partial"))
    assert partial.hum_words == "reduced: −25 dB at 100 Hz, +5 dB at 1 kHz"


def test_a_silent_position_is_called_silent():
    off = {f"{slot}_switch": "off" for slot in ("neck", "middle", "bridge")}
    facts = position_facts(_rig("three pickups, a switch for each", **off))
    assert (facts.heard, facts.hum, facts.hum_words, facts.level_words) == ((), None, "silent", "silent")


def test_claims_survive_a_round_trip():
    for name in WIRINGS:
        harness = catalogue().load("harness", name)
        again = read_harness(Table(harness_data(harness), "again"))
        assert again.claims == harness.claims


@pytest.mark.parametrize(
    ("wiring", "claims", "said"),
    [
        (TWO, {"nek": {"hum": "stays"}}, "claims.nek: 'nek' is no position here.*Did you mean 'neck'"),
        (ONE, {"neck": {"hum": "stays"}}, "no position here"),
        (TWO, {"selector=nek": {"hum": "stays"}}, "has the positions neck, both and bridge; got 'nek'"),
        (TWO, {"slector=neck": {"hum": "stays"}}, "no control 'slector'.*Did you mean 'selector'"),
        (TWO, {"selector=neck, selector=both": {"hum": "stays"}}, "named twice"),
        (TWO, {"tone=11": {"hum": "stays"}}, "turns from 0 to 10"),
        (TWO, {"neck": {"hum": "cancel"}}, "must be one of cancels, reduces, stays or adds"),
        (TWO, {"neck": {"phase": "inn"}}, "must be one of in or out"),
        (TWO, {"neck": {"selects": ["nek"]}}, "'nek' names no pickup slot"),
        (TWO, {"neck": {"selects": "neck"}}, "must be a list of names"),
        (TWO, {"neck": {"select": ["neck"]}}, "select: is not a key"),
        (TWO, {"neck": {}}, "claims nothing"),
        (TWO, {"neck": {"selects": [], "hum": "stays"}}, "can claim neither"),
    ],
)
def test_a_claim_that_cannot_be_is_refused(wiring, claims, said):
    data = harness_data(catalogue().load("harness", wiring))
    with pytest.raises(SheetError, match=said):
        read_harness(Table({**data, "claims": claims}, "sheet.toml"))


@pytest.mark.parametrize("device", ["toggle", "lever, 1 pole, 3 positions", "toggle, 1 pole, 5 positions"])
def test_a_device_that_does_not_fit_its_switch_is_refused(device):
    data = harness_data(catalogue().load("harness", TWO))
    data["parts"]["selector"]["device"] = device
    with pytest.raises(SheetError, match="device: must give style, poles and positions"):
        read_harness(Table(data, "sheet.toml"))
