"""One way from what a person wrote to a sheet: a file first, then the catalogue, then the nearest name."""

from __future__ import annotations

import pytest

from labkit.catalogue import catalogue, catalogue_only, find_sheet
from labkit.core.errors import InputError
from labkit.core.sheet import sheet_text
from labkit.pickup.predict.built import load_built
from labkit.rig.sheet import load_rig
from labkit.sound.take.sheet import load_take
from labkit.study.questions.loads import load_rig_or_pickup
from labkit.study.search.goal import load_goal

COIL = {"resistance": "5 kΩ", "inductance": "2 H", "capacitance": "100 pF"}


@pytest.fixture
def pickup_file(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(sheet_text("pickup", {"name": "own", "coil": {"main": COIL}}), encoding="utf-8")
    return path


def test_a_path_and_a_name_lead_to_a_sheet(pickup_file):
    assert find_sheet(pickup_file, "pickup").raw("name") == "own"
    assert find_sheet(str(pickup_file), "rig", "pickup").raw("sheet") == "pickup"
    assert find_sheet("two-coil", "rig", "pickup").raw("sheet") == "pickup"


def test_a_file_without_an_ending_is_found_and_a_folder_does_not_hide_a_name(pickup_file, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    pickup_file.rename(tmp_path / "plain")
    (tmp_path / "two-coil").mkdir()
    assert load_built("plain").pickup.name == "own"
    assert load_built("two-coil").pickup.name == "two-coil"


@pytest.mark.parametrize(
    ("load", "typed", "wanted", "nearest"),
    [
        (load_rig, "Saltmarsh Lane, two pickps", "a rig", "Saltmarsh Lane, two pickups"),
        (load_built, "two-coli", "a pickup", "two-coil"),
        (load_rig_or_pickup, "two-coli", "a rig or pickup", "two-coil"),
        (load_take, "E chrod", "a take", "E chord"),
    ],
)
def test_a_mistyped_name_is_answered_with_the_nearest(load, typed, wanted, nearest):
    with pytest.raises(InputError, match=f"neither a file nor {wanted} of the catalogue") as caught:
        load(typed)
    assert nearest in str(caught.value)
    assert "\n" not in str(caught.value)


def test_names_that_are_understood_elsewhere_are_hinted_at():
    assert "longest-cable" not in catalogue().names("goal")
    with pytest.raises(InputError, match="longest-cable"):
        load_goal("longest-cabel", also=["longest-cable"])


@pytest.mark.parametrize("typed", ["x" * 5000, "nul\0byte", "", "/", "no/such/file.toml"])
def test_what_cannot_be_a_file_is_refused_in_one_sentence(typed):
    with pytest.raises(InputError) as caught:
        find_sheet(typed, "rig")
    assert "\n" not in str(caught.value)


def test_a_sheet_from_a_browser_reaches_no_file_of_the_machine(pickup_file, monkeypatch):
    monkeypatch.chdir(pickup_file.parent)
    pickup_file.rename("two-coil")
    with catalogue_only():
        assert find_sheet("two-coil", "pickup").raw("name") == "two-coil", "the catalogue's, not the file of that name"
        for typed in ("./two-coil", "own.toml", "/etc/passwd"):
            with pytest.raises(InputError, match="a browser sends only the sheet itself"):
                find_sheet(typed, "pickup")
    assert find_sheet("./two-coil", "pickup").raw("name") == "own", "files are read again afterwards"
