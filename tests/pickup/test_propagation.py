"""Intervals: first-order propagation, scales, shares and refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.core.sourced import SourcedValue
from labkit.pickup.predict.propagation import COVERAGE, Doubtful, propagate


def test_product_of_powers_adds_squares_of_exponents() -> None:
    # exact on a logarithmic scale: σ(ln y)² = Σ (p_i σ_i)²
    inputs = {"N": Doubtful.percent(100.0, 0.02), "d": Doubtful.percent(2.0, 0.05)}
    result = propagate(lambda x: {"y": x["N"] ** 2 / x["d"] ** 3}, inputs)["y"]
    assert math.log(result.high / result.value) == pytest.approx(math.hypot(2 * 0.02, 3 * 0.05), rel=1e-9)
    assert result.high / result.value == pytest.approx(result.value / result.low, rel=1e-12)
    assert result.largest == "d"
    assert result.contributions[0].share == pytest.approx(0.15**2 / (0.15**2 + 0.04**2), rel=1e-9)
    assert result.contributions[0].deviation < 0  # more d, less y


def test_gum_end_gauge_example_is_reproduced() -> None:
    # JCGM 100:2008, annex H.1 (from memory): contributions 25, 9.7, 2.9 and 16.6 nm give a combined 32 nm
    inputs = {
        name: Doubtful(value=0.0, deviation=part)
        for name, part in {"standard": 25.0, "difference": 9.7, "expansion": 2.9, "temperature": 16.6}.items()
    }
    result = propagate(lambda x: {"length": sum(x.values())}, inputs, log=False)["length"]
    assert (result.high - result.low) / 2 / COVERAGE == pytest.approx(32, abs=0.5)  # printed to 1 nm
    assert result.largest == "standard"


def test_limits_rectangle_and_normal_differ_as_stated() -> None:
    assert Doubtful.plus_minus(10, 0.6, "limits").deviation == pytest.approx(0.2)
    assert Doubtful.plus_minus(10, 0.6, "rectangular").deviation == pytest.approx(0.6 / math.sqrt(3))
    assert Doubtful.plus_minus(10, 0.6).deviation == pytest.approx(0.6 / 1.96, rel=1e-4)
    assert Doubtful.between(9.0, 9.8, 10.2).deviation == pytest.approx(0.2)
    spread = SourcedValue(value=2.0, unit="T", spread=0.1, kind="printed", source="x")
    assert Doubtful.of(spread).deviation == pytest.approx(0.1 / COVERAGE)


def test_model_doubt_is_a_cause_of_its_own() -> None:
    result = propagate(lambda x: {"y": x["a"]}, {"a": Doubtful.exactly(3.0)}, model={"y": 0.1})["y"]
    assert result.largest == "model"
    assert math.log(result.high / result.low) == pytest.approx(2 * COVERAGE * 0.1)


def test_exact_inputs_give_no_interval() -> None:
    result = propagate(lambda x: {"y": x["a"] * 2}, {"a": Doubtful.exactly(3.0)})["y"]
    assert (result.low, result.value, result.high) == (6.0, 6.0, 6.0)
    assert result.largest is None
    assert result.why() == "no doubt stated"
    assert result.as_dict() == {"value": 6.0, "low": 6.0, "high": 6.0}


def test_scalar_models_give_what_vectorised_ones_give() -> None:
    inputs = {"a": Doubtful.percent(3.0, 0.1), "b": Doubtful.plus_minus(1.0, 0.2)}
    one = propagate(lambda x: {"y": x["a"] ** 2 + x["b"]}, inputs)["y"]
    other = propagate(lambda x: {"y": math.pow(x["a"], 2) + x["b"]}, inputs, vectorised=False)["y"]
    assert (other.low, other.high) == pytest.approx((one.low, one.high), rel=1e-12)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Doubtful(value=math.nan, deviation=0.0), "finite"),
        (lambda: Doubtful(value=1.0, deviation=-1.0), "zero or more"),
        (lambda: Doubtful(value=-1.0, deviation=0.1, scale="log"), "above zero"),
        (lambda: Doubtful(value=1.0, deviation=0.1, scale="lin"), "Did you mean 'linear'"),
        (lambda: Doubtful.plus_minus(1.0, 0.1, "limit"), "Did you mean 'limits'"),
        (lambda: Doubtful.between(2.0, 1.0, 3.0), "limits must hold"),
        (lambda: propagate(lambda x: {"y": -x["a"]}, {"a": Doubtful.percent(1.0, 0.1)}), "must be positive"),
        (lambda: propagate(lambda x: {"y": x["a"]}, {"a": Doubtful.percent(1.0, 0.1)}, log=["z"]), "not among"),
        (
            lambda: propagate(
                lambda x: {"y": np.where(x["a"] > 1.2, np.nan, x["a"]) * x["b"]},
                {"b": Doubtful.percent(1.0, 0.1), "a": Doubtful.plus_minus(1.0, 0.9)},
            ),
            "not a finite number at a;",
        ),
    ],
)
def test_bad_doubts_are_refused(make: object, words: str) -> None:
    with pytest.raises(InputError, match=words):
        make()  # type: ignore[operator]
