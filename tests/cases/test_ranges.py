"""Every model is walked across the edges of its ranges and well beyond, by the data of the ranges themselves."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest

import labkit
from labkit.cases import MODELS
from labkit.cases.summary import WITHOUT, ranges
from labkit.core.errors import InputError
from labkit.core.validity import Range, all_ranges
from labkit.pickup.winding import inductance
from tests.cases.range_probes import DERIVED, NAMED, PROBES, WHOLE, Seen

RANGES = ranges()
IDS = [f"{each.model}: {each.quantity}" for each in RANGES]
FAR = 1e6
every = pytest.mark.parametrize("limits", RANGES, ids=IDS)


def key_of(limits: Range) -> tuple[str, str]:
    return limits.model, limits.quantity


def probe(limits: Range, value: float) -> Seen:
    return PROBES[key_of(limits)](value)


def is_scaled(limits: Range) -> bool:
    """Whether a quantity is walked by ratios."""
    return limits.low > 0 or (math.isinf(limits.low) and limits.high > 0)


def ends(limits: Range) -> tuple[float, float]:
    """The edges; a tenth or the fivefold of the other one where there is none."""
    low = limits.low if math.isfinite(limits.low) else limits.high / 10
    return low, limits.high if math.isfinite(limits.high) else limits.low * 5


def inner(limits: Range) -> list[float]:
    low, high = ends(limits)
    steps = np.geomspace(low, high, 5) if is_scaled(limits) else np.linspace(low, high, 5)
    steps = np.round(steps) if key_of(limits) in WHOLE else steps
    return [low, *steps[1:-1].tolist(), high]


def outer(limits: Range) -> list[tuple[float, float]]:
    """Values between an edge and where a number is refused, with their edge; none where everything outside is."""
    least, most = limits.limits
    found = []
    for edge, end in ((limits.low, least), (limits.high, most)):
        if edge == end or not math.isfinite(edge):
            continue
        if not math.isfinite(end):
            values = [edge * 2, edge * 10]
        elif edge > 0 and end == 0:
            values = [edge / 1.5, edge / 20]
        elif edge > 0 and end > 0:
            values = [math.sqrt(edge * end), end]
        else:
            values = [(edge + end) / 2, end]
        if key_of(limits) in WHOLE:
            values = [float(round(value)) for value in values]
        found += [(value, edge) for value in values]
    return found


def beyond(limits: Range) -> list[float]:
    least, most = limits.limits
    found = [math.nan, math.inf, -math.inf]
    if math.isfinite(least):
        found += [least - max(abs(least), 1e-3) / 2, least - FAR]
    if math.isfinite(most):
        found += [most + max(abs(most), 1e-3) / 2, most * FAR if most > 0 else most + FAR]
    return found


def own_warnings(limits: Range, seen: Seen) -> list[str]:
    begins = NAMED.get(key_of(limits), f"{limits.model}: {limits.quantity}")
    return [sentence for sentence in seen.warnings if f"{begins} " in sentence]


def test_every_model_has_ranges_or_says_why_not():
    with_ranges = {each.model for each in RANGES}
    assert with_ranges <= MODELS.keys()
    assert MODELS.keys() - with_ranges == WITHOUT.keys()
    assert all(WITHOUT.values())


def test_every_range_is_taken_by_a_model_and_named_once():
    code = "".join(path.read_text(encoding="utf-8") for path in Path(labkit.__file__).parent.rglob("*.py"))
    closed_form = {f"closed_form_{name}" for name in inductance.CLOSED_FORM_RANGES}
    taken = set(re.findall(r'range_called\("(\w+)"\)', code)) | closed_form
    assert taken == all_ranges().keys()
    assert len(set(map(key_of, RANGES))) == len(RANGES), "two ranges of one name"
    order = list(dict.fromkeys(each.model for each in RANGES))
    assert order == [model for model in MODELS if model in order], "in the order of the models"


def test_every_range_is_walked_and_no_probe_is_left_over():
    assert {key_of(each) for each in RANGES} == PROBES.keys()


@every
def test_inside_a_range_numbers_are_finite_and_nothing_is_said(limits):
    for value in inner(limits):
        seen = probe(limits, value)
        assert math.isfinite(seen.value), value
        assert math.isfinite(seen.width), value
        assert own_warnings(limits, seen) == [], value


@every
def test_inside_a_range_and_at_its_edges_numbers_do_not_jump(limits):
    if key_of(limits) in WHOLE:
        pytest.skip("counted: there is nothing between two of them")
    least, most = limits.limits
    low, high = ends(limits)
    for value in inner(limits):
        step = 1e-6 * (abs(value) if is_scaled(limits) else high - low)
        around = [near for near in (value - step, value + step) if least <= near <= most]
        here = probe(limits, value).value
        for near in around:
            # at an edge a formula may give way to another, which meets it within 2 %; inside, a millionth moves nothing
            allowed = 0.02 if value in (low, high) else 1e-3
            nothing = 1e-5 * abs(probe(limits, high).value) if here == 0 else 0.0
            assert probe(limits, near).value == pytest.approx(here, rel=allowed, abs=nothing), (value, near)


@every
def test_outside_a_range_the_number_is_warned_of_and_no_narrower_than_at_the_edge(limits):
    for value, edge in outer(limits):
        at_edge, seen = probe(limits, edge), probe(limits, value)
        assert math.isfinite(seen.value), value
        (said,) = own_warnings(limits, seen) or pytest.fail(f"{value}: {seen.warnings}")
        assert "\n" not in said
        if limits.model != "statistics":
            assert limits.shown(edge) in said
            assert limits.shown(value)[:4] in said
        assert seen.width >= at_edge.width * (1 - 1e-9), (value, edge)
        if limits.outside == "wider interval":
            assert limits.deviation(value) > 0
            assert seen.width > at_edge.width, (value, edge)


@every
def test_beyond_its_limits_a_number_is_refused_in_one_sentence(limits):
    for value in beyond(limits):
        with pytest.raises(InputError) as refusal:
            probe(limits, value)
        said = str(refusal.value)
        assert "\n" not in said
        assert said.strip()
        if key_of(limits) not in DERIVED:
            assert f"{limits.quantity} must" in said
            assert limits.why in said
            for end in limits.limits:
                assert not math.isfinite(end) or limits.shown(end) in said
            assert "got" in said


@every
def test_a_range_says_what_it_is_about(limits):
    data = limits.as_dict()
    assert json.loads(json.dumps(data)) == data, "JSON holds no infinities"
    assert data["why"]
    assert data["source"]
    assert limits.span


def test_ranges_of_one_model_and_of_none():
    assert list(ranges()) == list(all_ranges().values())
    assert {each.model for each in ranges("losses")} == {"losses"}
    with pytest.raises(InputError, match=r"no model is named 'losess'\. Did you mean 'losses'\?"):
        ranges("losess")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"outside": "ignored"}, "`outside` must be one of"),
        ({"low": 3.0}, "least ≤ low < high ≤ most"),
        ({"least": 1.5}, "least ≤ low < high ≤ most"),
        ({"growth": 0.0}, "widens by its `growth`"),
        ({"outside": "refused", "growth": 0.0}, "no second limits"),
        ({"source": " "}, "must say why and name its source"),
    ],
)
def test_a_range_that_contradicts_itself_is_refused(changes, words):
    sound = {
        "model": "winding", "quantity": "height", "unit": "m", "low": 1.0, "high": 2.0, "least": 0.5, "growth": 0.1,
        "outside": "wider interval", "why": "of", "source": "no source",
    }  # fmt: skip
    Range(**sound)
    with pytest.raises(InputError, match=words):
        Range(**(sound | changes))
