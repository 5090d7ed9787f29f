"""What the package brings keeps the contracts of the lab; the package must be installed beside labkit."""

from __future__ import annotations

import pytest
import saltmarsh_light

from labkit import testing as contracts

LOG = "saltmarsh bench log 1\nmeasured = impedance\n" + "".join(
    f"f={hertz};z={6000 + hertz};p=1.5\n" for hertz in range(100, 2000, 100)
)


def test_every_sheet_can_be_used():
    for folder in saltmarsh_light.labkit_catalogue_folders():
        contracts.check_folder(folder)


def test_light_resistor_is_a_part():
    (kind,) = saltmarsh_light.labkit_part_kinds()
    contracts.check_part_kind(kind, {"nodes": ["a", "b"], "cell": "small cell", "default": 4})


def test_series_resistor_is_a_stage():
    (kind,) = saltmarsh_light.labkit_chain_kinds()
    contracts.check_chain_kind(kind, {"value": "1 kΩ"})


def test_conducting_sheet_is_a_loss_model():
    for model in saltmarsh_light.labkit_loss_models().values():
        contracts.check_loss_model(model)


def test_light_cells_are_read():
    sample = {"name": "mine", "at_10_lux": "20 kΩ", "exponent": 0.7, "dark": "1 MΩ"}
    for kind, read in saltmarsh_light.labkit_sheet_kinds().items():
        contracts.check_sheet_reader(kind, read, sample)


def test_bench_log_is_a_sweep_reader(tmp_path):
    (tmp_path / "a.log").write_text(LOG, encoding="utf-8")
    (tmp_path / "b.csv").write_text("Hz,ohm\n100,6000\n", encoding="utf-8")
    for reader in saltmarsh_light.labkit_sweep_readers().values():
        contracts.check_sweep_reader(reader, tmp_path / "a.log", tmp_path / "b.csv")


def test_drone_is_a_take():
    for make in saltmarsh_light.labkit_takes().values():
        contracts.check_take(make)


def test_light_tone_is_a_panel():
    for panel in saltmarsh_light.labkit_panels():
        contracts.check_panel(panel)


def test_light_cell_is_a_case_check():
    inputs = {"at_10_lux_ohm": 20e3, "exponent": 0.7}
    for name, function in saltmarsh_light.labkit_case_checks().items():
        contracts.check_case_check(name, function, inputs)


def test_a_log_of_something_else_is_told_with_the_nearest_word(tmp_path):
    from labkit.bench.read.sweep_reader import read_sweep
    from labkit.core.errors import InputError

    (tmp_path / "a.log").write_text(LOG.replace("impedance", "impedence"), encoding="utf-8")
    with pytest.raises(InputError, match=r"line 2: .* Did you mean 'impedance'"):
        read_sweep(tmp_path / "a.log")
