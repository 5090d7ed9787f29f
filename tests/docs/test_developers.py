"""What DEVELOPERS.md says of the code: the path of one number, and what is changed in one place."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from types import FrameType

import pytest

from labkit.catalogue import catalogue
from labkit.circuit.solve.solver import Solution
from labkit.core.response import Response
from labkit.core.sheet import sheet_text
from labkit.pickup.predict.built import load_built
from labkit.rig.parts import taper
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, rig_data, set_value
from labkit.view.curve.curve import Curve, draw_curves
from tests.plugins.packages import forget

TEXT = (Path(__file__).resolve().parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
RIG = "Saltmarsh Lane, narrow single coil"
MOST_HOPS = 7


def hops() -> list[str]:
    """Functions of the drawn path, in its order."""
    drawn = re.search(r"## The path of one number\n.*?\n((?:    .*\n)+)", TEXT, re.S)
    assert drawn
    return re.findall(r"│ +\d +(\w+(?:\.\w+)?)", drawn[1])


def draw(sheet: Path) -> str:
    response = load_rig(sheet).response()
    curve = Curve(frequency_hz=response.frequency_hz, gain_db=response.gain_db, label="now")
    return draw_curves([curve], title="t", description="d")


def with_tone_capacitor(tmp_path: Path, value: str) -> Path:
    data = rig_data(load_rig(RIG))
    data["harness"]["parts"]["tone_capacitor"]["value"] = value
    path = tmp_path / "rig.toml"
    path.write_text(sheet_text("rig", data), encoding="utf-8")
    return path


def holds(found: object) -> bool:
    """Whether what a function returned has the number in it, or is made of voltages, which no longer show it."""
    if isinstance(found, Rig):
        found = found.harness.parts["tone_capacitor"]
    elif isinstance(found, tuple):
        found = found[0]
    number = getattr(found, "value", getattr(found, "capacitance", found))
    return isinstance(found, Solution | Response | str) or number == pytest.approx(23.4567e-9, rel=1e-12)


def test_the_path_of_one_number_is_the_drawn_one(tmp_path: Path) -> None:
    """Every drawn function returns it, in that order, on the way from the sheet to the curve; seven are enough."""
    drawn = hops()
    assert 5 <= len(drawn) <= MOST_HOPS
    path = with_tone_capacitor(tmp_path, "23.4567 nF")
    passed: list[str] = []

    def watch(frame: FrameType, event: str, returned: object) -> None:
        name = frame.f_code.co_qualname
        is_ours = frame.f_globals.get("__name__", "").startswith("labkit.")
        if event == "return" and is_ours and name in drawn and name not in passed and holds(returned):
            passed.append(name)

    sys.setprofile(watch)
    try:
        draw(path)
    finally:
        sys.setprofile(None)
    assert passed == drawn


def test_another_number_in_the_sheet_is_another_curve(tmp_path: Path) -> None:
    assert draw(with_tone_capacitor(tmp_path, "40 nF")) != draw(with_tone_capacitor(tmp_path, "23.4567 nF"))


def test_a_taper_is_changed_in_one_place(monkeypatch) -> None:
    before = load_rig(RIG)
    monkeypatch.setitem(taper.TAPERS, "bowed", ((0.0, 0.0), (0.25, 0.5), (1.0, 1.0)))
    rig = set_value(before, "volume.taper", "bowed").replace(settings={"volume": 2.5})
    assert _legs(rig) == pytest.approx((125e3, 125e3))
    text = sheet_text("rig", rig_data(rig))
    assert 'taper = "bowed"' in text
    monkeypatch.setitem(taper.TAPERS, "bowed", ((0.0, 0.0), (0.25, 0.2), (1.0, 1.0)))
    assert _legs(set_value(rig, "volume.taper", "bowed")) == pytest.approx((200e3, 50e3))


def _legs(rig: Rig) -> tuple[float, float]:
    elements = rig.harness.parts["volume"].elements(rig.settings["volume"])
    return elements[0].resistance, elements[1].resistance


def _keys(kind: str, name: str) -> dict[str, object]:
    return {key: value for key, value in catalogue().item(kind, name).data.items() if key not in ("sheet", "format")}


def test_a_magnet_grade_is_added_in_one_place(tmp_path: Path, monkeypatch) -> None:
    own = "Alnico 3, our batch"
    (tmp_path / "own.toml").write_text(
        sheet_text("magnet", _keys("magnet", "Alnico 3") | {"name": own}), encoding="utf-8"
    )
    monkeypatch.setenv("LABKIT_CATALOGUE", str(tmp_path))
    forget()
    try:
        assert own in catalogue().usable_names("magnet")
        fields = {}
        for grade in ("Alnico 5", "Alnico 3", own):
            path = tmp_path / "pickup.toml"
            text = sheet_text("pickup", _keys("pickup", "narrow single coil, built"))
            assert '"Alnico 5"' in text
            path.write_text(text.replace('"Alnico 5"', f'"{grade}"'), encoding="utf-8")
            fields[grade] = load_built(path).field_t[0].value
        assert fields[own] == fields["Alnico 3"] < 0.9 * fields["Alnico 5"]
    finally:
        monkeypatch.undo()
        forget()
