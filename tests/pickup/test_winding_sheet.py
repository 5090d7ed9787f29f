"""Reading a winding from a build sheet."""

from __future__ import annotations

import pytest

from labkit.core.errors import SheetError
from labkit.core.keys import declared_keys
from labkit.core.sheet import Table
from labkit.pickup.winding.air_coil import predict_air_coil
from labkit.pickup.winding.winding import Winding, read_winding

COIL = {
    "turns": 8000,
    "wire": "AWG 42 single build",
    "packing": 0.85,
    "straight_length": "52 mm",
    "end_radius": "2.5 mm",
    "winding_height": "11 mm",
}


def read(**changes: object) -> object:
    data = {key: value for key, value in {**COIL, **changes}.items() if value is not None}
    return read_winding(Table(data, "coil.toml", "coil.main"))


def test_worked_coil_reads_to_its_resistance() -> None:
    coil = read_winding(Table(COIL, "coil.toml", "coil.main"))
    assert coil.resistance(20.0) == pytest.approx(5805, abs=1.0)  # hand calculation, printed to 1 Ω


def test_only_winding_keys_are_asked_for() -> None:
    table = Table({**COIL, "poles": {}, "wound": "clockwise"}, "coil.toml")
    read_winding(table)
    assert set(table.asked) == {key.name for key in declared_keys(Winding)} | {"bobbin"}


def test_measured_wire_carries_its_own_doubt() -> None:
    own = {"bare": "62.8 µm", "overall": "70 µm", "bare_spread": "0.5 µm"}
    measured = read_winding(Table({**COIL, "wire": own}, "coil.toml"))
    assert measured.wire.bare_limits.deviation == pytest.approx(0.25e-6)
    tabled = read_winding(Table(COIL, "coil.toml"))
    narrow, wide = (predict_air_coil(coil)["resistance"].half_width_fraction for coil in (measured, tabled))
    assert narrow < 0.75 * wide


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"turns": None}, "coil.main.turns: is missing"),
        ({"turns": 0}, "coil.main.turns: must be a whole number from 1"),
        ({"wire": "AWG 42 singel build"}, "coil.main.wire: .*Did you mean 'AWG 42 single build'"),
        ({"wire": {"bare": "70 µm", "overall": "63 µm"}}, "coil.main.wire: .*must exceed the bare one"),
        ({"wire": {"bare": "63 µm", "overal": "70 µm"}}, "coil.main.wire.overall: is missing"),
        ({"wire": {"bare": "63 µm", "overall": "70 µm", "bare_spread": "90 µm"}}, "smaller than the diameter"),
        ({"packing": 2.0}, "packing must lie between"),
        ({"flange_radius": "6.5 mm"}, "overflow the bobbin by 0.33 mm"),
        ({"winding_height": "11 nF"}, "coil.main.winding_height: .*is a capacitance"),
        ({"winding_height": "11 m"}, "coil.main.winding_height"),
        ({"end_radius": "-2 mm"}, "end radius must lie between"),
    ],
)
def test_a_slip_is_refused_with_the_sheet_and_the_key(changes: dict, words: str) -> None:
    with pytest.raises(SheetError, match=words) as caught:
        read(**changes)
    assert "coil.toml" in str(caught.value)
