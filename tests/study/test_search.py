"""Searches: planted optima are found, impossible goals are told so with the reason, nothing depends on the split."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from random import Random

import numpy as np
import pytest

from labkit.catalogue import catalogue
from labkit.core.errors import InputError, SheetError
from labkit.core.sheet import Table, parse_sheet
from labkit.pickup.predict.built import read_build
from labkit.pickup.predict.sheet import with_changes
from labkit.rig.inputs import with_inputs
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_pickup, load_rig, read_rig
from labkit.study.measures import Measure, study_grid
from labkit.study.search.goal import POINTS, Freedom, Goal, Target, freedom, like, read_goal
from labkit.study.search.search import run_search, search_plan
from labkit.study.search.solution import SearchResult

GRID_HZ = study_grid(POINTS, [])


def trimmed() -> Rig:
    """A single coil with load trims, 5 m of cable and a 1 MΩ input."""
    data = {
        "name": "trimmed",
        "harness": "one volume with load trims",
        "pickups": {"bridge": "narrow single coil"},
        "chain": [
            {"kind": "cable", "length": "5 m", "capacitance": "100 pF/m"},
            {"kind": "input", "resistance": "1 MΩ", "capacitance": "100 pF"},
        ],
    }
    return read_rig(Table(data, "trimmed"))


def goal(rig: Rig, targets: list[Target], freedoms: list[Freedom], **options) -> Goal:  # type: ignore[no-untyped-def]
    return Goal(name="test", rig=rig, targets=tuple(targets), freedoms=tuple(freedoms), frequency_hz=GRID_HZ, **options)


def resonance(hertz: float, within: float = 0.01) -> Target:
    return Target(name="resonance", measure=Measure("resonance"), wanted=hertz, within=within * hertz)


def height(decibel: float, within: float = 0.1) -> Target:
    return Target(name="height", measure=Measure("height"), wanted=decibel, within=within)


def planted(seed: int) -> tuple[Goal, dict[str, float]]:
    """A goal whose answer is known: parts and a continuous cable or coil, hidden behind the curve they make."""
    random = Random(f"planted {seed}")
    rig = trimmed().replace(settings={"tone": random.choice([10, 7, 4]), "volume": random.choice([10, 8])})
    freedoms = [
        freedom(rig, "load_capacitor", series="E12", low="220 pF", high="2.2 nF"),
        freedom(rig, "load_resistor", series=random.choice(["E6", "E12"]), low="100 kΩ", high="470 kΩ"),
        freedom(rig, "volume", choices=["7", "8", "9", "10"])
        if random.random() < 0.3
        else freedom(rig, "tone_capacitor", series="E6", low="10 nF", high="68 nF"),
    ]
    continuous = random.choice(["bridge.main.inductance", "cable.length", "bridge.main.resistance", None])
    chosen: dict[str, float] = {item.name: random.choice(item.choices) for item in freedoms}
    if continuous is not None:
        middle = {"bridge.main.inductance": 2.4, "cable.length": 5.0, "bridge.main.resistance": 6e3}[continuous]
        freedoms.append(freedom(rig, continuous, low=0.6 * middle, high=1.6 * middle))
        chosen[continuous] = random.uniform(0.7, 1.5) * middle
    target = with_inputs(rig, chosen)
    # Allowances far below what one step of a series does, so that only the planted values, or their equal, fit.
    targets = [like(target, GRID_HZ, within_db=0.01)]
    return goal(rig, targets, freedoms), chosen


def test_planted_optima_are_found_in_twenty_random_problems() -> None:
    exactly_planted = 0
    for seed in range(20):
        wanted, chosen = planted(seed)
        result = run_search(wanted)
        best = result.solutions[0]
        # The planted values miss nothing: the best found must be as good, within what the refinement stops at.
        assert result.fits, f"problem {seed}: {result.reason}"
        assert best.misfit < 1e-2, f"problem {seed}: {best}"
        assert best.gives_up == ()
        truth = with_inputs(wanted.rig, chosen).evaluate(GRID_HZ)
        apart = 20 * np.log10(np.abs(best.rig.evaluate(GRID_HZ) / truth))
        heard = (GRID_HZ > 80) & (GRID_HZ < 8000)
        assert np.ptp(apart[heard]) < 0.02, f"problem {seed}"
        exactly_planted += all(best.choices[name] == pytest.approx(value, rel=0.01) for name, value in chosen.items())
    # Some problems have equals: a longer cable for a smaller capacitor, say.
    assert exactly_planted >= 12


def nothing_fits_by_trying(wanted: Goal, tries: int = 300) -> bool:
    """Whether no set of values, drawn at random and built as a rig of its own, meets every target."""
    random = Random("tries")
    for _ in range(tries):
        values = {
            item.name: random.choice(item.choices) if item.choices else random.uniform(item.low, item.high)
            for item in wanted.freedoms
        }
        levels = 20 * np.log10(np.abs(with_inputs(wanted.rig, values).evaluate(GRID_HZ)))[None]
        missed = [abs(float(target.misses(target.values(GRID_HZ, levels))[0])) for target in wanted.targets]
        if max(missed) <= 1:
            return False
    return True


def infeasible() -> dict[str, tuple[Goal, str, str]]:
    """Goals that nothing meets, with a part of the reason and of the proof."""
    rig = trimmed()
    capacitor = freedom(rig, "load_capacitor", series="E12", low="100 pF", high="2.2 nF")
    resistor = freedom(rig, "load_resistor", series="E12", low="100 kΩ", high="1 MΩ")
    cable = freedom(rig, "cable.length", low="3 m", high="9 m")
    priced = freedom(rig, "volume.value", choices=["250k", "500k"], prices=[4.0, 5.0])
    return {
        "out of reach": (
            goal(rig, [resonance(6000.0)], [capacitor, resistor]),
            "Out of reach: resonance",
            "All 221 combinations were computed.",
        ),
        "out of reach over a range": (
            goal(rig, [height(12.0, 0.5)], [resistor, cable]),
            "Out of reach: height",
            "in every box some target stays beyond its allowance",
        ),
        "each alone, not together": (
            goal(rig, [resonance(2000.0), height(5.5)], [capacitor, resistor, cable]),
            "Each target can be met by itself, but not all together",
            "looked through over the whole of their range",
        ),
        "budget": (
            goal(rig, [resonance(3000.0, 0.5)], [priced, capacitor], budget=3.0),
            "The cheapest combination costs 4.00; the budget is 3.00.",
            "",
        ),
        "another instrument": (
            goal(
                rig,
                [like(load_rig("Saltmarsh Lane, narrow single coil").replace(settings={"tone": 0}), GRID_HZ)],
                [capacitor, resistor],
            ),
            "at best",
            "All 221 combinations were computed.",
        ),
    }


@pytest.mark.parametrize("name", infeasible())
def test_an_impossible_goal_is_told_so_with_the_reason(name: str) -> None:
    wanted, reason, proof = infeasible()[name]
    result = run_search(wanted)
    assert not result.fits
    assert reason in result.reason
    assert proof.removesuffix("range") in result.proof
    assert "not excluded" not in result.proof
    if wanted.budget is None:
        assert nothing_fits_by_trying(wanted)
        assert result.solutions, "the nearest is shown all the same"
        assert result.solutions[0].gives_up


def test_what_lies_between_grid_points_is_found_before_nothing_is_said_to_fit() -> None:
    # A window far narrower than a grid step of the range: 17 points over 12 m of cable.
    rig = trimmed()
    target = with_inputs(rig, {"cable.length": 7.37}).response().peak
    wanted = goal(rig, [resonance(target.frequency_hz, 1e-4)], [freedom(rig, "cable.length", low="2 m", high="14 m")])
    result = run_search(wanted)
    assert result.fits
    assert result.solutions[0].choices["cable.length"] == pytest.approx(7.37, abs=0.02)


def test_a_budget_leaves_dear_combinations_out_and_cheaper_ones_rank_by_what_they_do() -> None:
    rig = trimmed()
    pots = freedom(rig, "volume.value", choices=["250k", "500k", "1M"], prices=[4.0, 5.0, 9.0])
    load = freedom(rig, "load_resistor", series="E6", low="100k", high="1M", prices=[0.5])
    aim = [height(with_inputs(rig, {"volume.value": 1e6, "load_resistor.value": 1e6}).response().peak.height_db, 3.0)]
    dear, cheap = run_search(goal(rig, aim, [pots, load])), run_search(goal(rig, aim, [pots, load], budget=6.0))
    assert dear.solutions[0].choices == {"volume.value": 1e6, "load_resistor.value": 1e6}
    assert cheap.solutions[0].choices["volume.value"] == 5e5
    assert cheap.over_budget == 7
    assert all(solution.cost <= 6.0 for solution in cheap.solutions)
    assert any("more than the cheapest that fits" in text for text in dear.solutions[0].gives_up)


def test_solutions_are_distinct_and_ranked() -> None:
    rig = trimmed()
    wanted = goal(
        rig,
        [resonance(2800.0, 0.05), height(3.0, 1.0)],
        [
            freedom(rig, "load_capacitor", series="E12", low="100 pF", high="2.2 nF"),
            freedom(rig, "load_resistor", series="E12", low="100 kΩ", high="1 MΩ"),
            freedom(rig, "cable.length", low="3 m", high="9 m"),
        ],
        results=8,
    )
    result = run_search(wanted)
    assert len(result.solutions) == 8
    seen = [tuple(value for name, value in sorted(s.choices.items()) if "length" not in name) for s in result.solutions]
    assert len(set(seen)) == 8
    for solution in result.solutions:
        peak = solution.rig.response().peak
        # Read off 192 points in the search, solved here.
        assert solution.values[0] == pytest.approx(peak.frequency_hz, rel=5e-4)
        assert solution.values[1] == pytest.approx(peak.height_db, abs=5e-3)


def assert_same(one: SearchResult, other: SearchResult) -> None:
    assert [s.choices for s in one.solutions] == [s.choices for s in other.solutions]
    assert [s.values for s in one.solutions] == [s.values for s in other.solutions]
    assert (one.tried, one.reachable, one.reason) == (other.tried, other.reachable, other.reason)


def large() -> Goal:
    rig = trimmed()
    return goal(
        rig,
        [resonance(2800.0, 0.05), height(3.0, 1.0)],
        [
            freedom(rig, "load_capacitor", series="E24", low="100 pF", high="2.2 nF"),
            freedom(rig, "load_resistor", series="E24", low="100 kΩ", high="1 MΩ"),
            freedom(rig, "volume.value", choices=["250k", "300k", "500k", "1M"]),
            freedom(rig, "tone.value", choices=["250k", "300k", "500k", "1M"]),
        ],
    )


def test_a_search_is_the_same_however_it_is_split_stopped_and_taken_up(tmp_path: Path) -> None:
    assert search_plan(large()).chunks >= 3
    alone = run_search(large())
    with ThreadPoolExecutor(3) as pool:
        assert_same(run_search(large(), workers=pool), alone)
    record = tmp_path / "search.npz"
    part = run_search(large(), record=record, stop=lambda: True)
    assert not part.complete
    assert record.exists()
    assert_same(run_search(large(), record=record), alone)
    assert not record.exists()


def test_switches_and_pickups_are_chosen_among_like_part_values() -> None:
    rig = load_rig("Saltmarsh Lane, two pickups")
    target = rig.replace(settings={"selector": "neck"}, pickups={"neck": load_pickup("narrow single coil, reversed")})
    wanted = goal(
        rig,
        [like(target, GRID_HZ, within_db=0.02)],
        [
            freedom(rig, "selector", choices=["neck", "both", "bridge"]),
            freedom(rig, "neck", choices=["narrow single coil", "narrow single coil, reversed"]),
            freedom(rig, "tone_capacitor", choices=["10n", "22n", "47n"]),
        ],
    )
    best = run_search(wanted).solutions[0]
    assert best.choices == {
        "selector": "neck",
        "neck": "narrow single coil, reversed",
        "tone_capacitor.value": 22e-9,
    }


def on_a_narrow_bobbin() -> Rig:
    """The bench instrument with the built pickup, on a bobbin whose flange ends at 7 mm."""
    built = load_pickup("narrow single coil, built")
    narrow = read_build(with_changes(built.made_from.table(), {"coil.main.flange_radius": "7 mm"}))
    pickup = replace(narrow.pickup, made_from=narrow.build)
    return load_rig("Saltmarsh Lane, narrow single coil").replace(pickups={"bridge": pickup})


def test_turns_that_do_not_fit_the_bobbin_are_left_out_and_said() -> None:
    rig = on_a_narrow_bobbin()
    wire = freedom(rig, "bridge.coil.main.wire", choices=["AWG 42 single build", "AWG 43 single build"])
    turns = freedom(rig, "bridge.coil.main.turns", choices=["8000", "9500"])
    result = run_search(goal(rig, [like(rig, GRID_HZ, within_db=3.0)], [wire, turns]))
    # 9500 turns fit of the thinner wire only: N·d²/(packing·height) is 5.1 mm and 4.1 mm beside 4.5 mm of room.
    assert (result.tried, result.unbuildable) == (3, 1)
    assert result.fits
    assert ("AWG 42 single build", "9500") not in [tuple(solution.choices.values()) for solution in result.solutions]
    with pytest.raises(InputError, match="flange"):
        freedom(rig, "bridge.coil.main.turns", choices=["20000"])
    with pytest.raises(InputError, match="Did you mean 'AWG 42 single build'"):
        freedom(rig, "bridge.coil.main.wire", choices=["AWG 42 single built", "AWG 43 single build"])
    only = freedom(rig, "bridge.coil.main.turns", choices=["9500", "8000"])
    impossible = replace(only, choices=("9500",))
    nothing = run_search(goal(rig, [like(rig, GRID_HZ)], [impossible]))
    assert nothing.reason.startswith("Nothing of this can be built:")
    assert "flange" in nothing.reason


def test_every_demo_goal_of_the_catalogue_reads_and_is_met() -> None:
    names = catalogue().names("goal")
    assert len(names) >= 2
    for name in names:
        result = run_search(catalogue().load("goal", name))
        assert result.fits, name


GOOD = """
sheet = "goal"
format = 1
name = "test"
rig = "Saltmarsh Lane, narrow single coil"
[target]
resonance = "3 kHz"
[[vary]]
part = "tone_capacitor"
series = "E12"
from = "1 nF"
to = "47 nF"
"""


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('series = "E12"', 'series = "E13"', "Did you mean 'E3'"),
        ('part = "tone_capacitor"', 'part = "tone_capacitator"', "Did you mean"),
        ('resonance = "3 kHz"', "", "nothing is wanted"),
        ('resonance = "3 kHz"', 'resonanse = "3 kHz"', "Did you mean 'resonance'"),
        ('from = "1 nF"', 'from = "1 kΩ"', "capacitance"),
        ('from = "1 nF"', 'from = "100 nF"', "from low to high"),
        ('to = "47 nF"', 'to = "47 nF"\nprices = [1.0, 2.0]', "prices"),
        ('[target]\nresonance = "3 kHz"', '[target]\nsounds_like = "nobody"', "nobody"),
        ("Saltmarsh Lane, narrow single coil", "Saltmarsh Lane, narow single coil", "Did you mean"),
    ],
)
def test_a_goal_sheet_with_a_slip_is_refused_with_the_remedy(old: str, new: str, words: str) -> None:
    assert read_goal(parse_sheet(GOOD, "good.toml")).freedoms[0].name == "tone_capacitor.value"
    with pytest.raises(SheetError, match=words):
        read_goal(parse_sheet(GOOD.replace(old, new), "slip.toml"))


def test_too_large_a_search_is_refused_before_it_begins() -> None:
    rig = trimmed()
    names = ["load_capacitor", "load_resistor", "tone_capacitor", "volume.value", "tone.value"]
    ends = {name: (1e-9, 2e-7) if "capacitor" in name else (1e4, 1e6) for name in names}
    freedoms = [freedom(rig, name, series="E96", low=low, high=high) for name, (low, high) in ends.items()]
    with pytest.raises(InputError, match="combinations are too many"):
        search_plan(goal(rig, [resonance(3000.0)], freedoms))


def test_the_distance_to_a_sound_is_of_shape_and_not_of_level() -> None:
    target = like(trimmed(), GRID_HZ)
    assert target.curve_db is not None
    assert target.values(GRID_HZ, target.curve_db[None] + 6.0)[0] == pytest.approx(0.0, abs=1e-9)
    # one decibel up over the lower half of the octaves from 80 Hz to 8 kHz and down over the upper: 1 dB rms by hand;
    # the half falls between two of 192 points
    tilt = np.where(np.sqrt(80.0 * 8000.0) > GRID_HZ, 1.0, -1.0)
    assert target.values(GRID_HZ, (target.curve_db + tilt)[None])[0] == pytest.approx(1.0, abs=0.01)
