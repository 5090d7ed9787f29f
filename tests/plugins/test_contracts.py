"""One contract for each protocol, held against every implementation; an implementation without a sample fails."""

from __future__ import annotations

import dataclasses
import importlib
import pkgutil
import sys
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import labkit
import labkit.builtin
from labkit import testing as contracts
from labkit.cases.runner import load_cases
from labkit.catalogue import catalogue
from labkit.circuit.elements import Resistor
from labkit.core.errors import SheetError
from labkit.core.sheet import Table
from labkit.pickup.string.known_steel import steel_text, unmeasured_steel
from labkit.plugins.manager import HOOKS
from labkit.rig.chain.chain import Cable, Stage
from labkit.rig.parts.parts import FixedResistor, Part
from tests.plugins.samples import EXAMPLE, PARTS, READER_FILES, STAGES, things_of

pytestmark = pytest.mark.usefixtures("example")

sys.path.insert(0, str(EXAMPLE))
try:
    EXAMPLE_PLUGIN = importlib.import_module("saltmarsh_light")
finally:
    sys.path.remove(str(EXAMPLE))

MODULES = (labkit.builtin, EXAMPLE_PLUGIN)


def of(hook: str) -> list[Any]:
    """Every implementation that comes through a hook, as test parameters."""
    return [pytest.param(name, thing, id=name) for module in MODULES for name, thing in things_of(module, hook).items()]


def sheet_sample(kind: str) -> Mapping[str, Any] | None:
    """Keys of a sheet of a kind: the first of the catalogue, or the sample of a stage."""
    names = catalogue().names(kind)
    if names:
        return catalogue().item(kind, names[0]).data
    if kind == "string steel":  # the catalogue has none: a shop measures its own
        return tomllib.loads(steel_text(replace(unmeasured_steel(), rests_on="three strings lifted by 1 mm")))
    return {"name": "sample", **STAGES[kind]} if kind in STAGES else None


@pytest.mark.parametrize(("name", "read"), of("labkit_sheet_kinds"))
def test_sheet_reader_keeps_its_contract(name, read):
    sample = sheet_sample(name)
    assert sample is not None, (
        f"no sample of a '{name}' sheet: put one into the catalogue or into tests/plugins/samples.py"
    )
    sample = {key: value for key, value in sample.items() if key not in ("sheet", "format", "summary", "note")}

    def as_the_catalogue_does(table):
        for key in ("source", "doubt", "name"):
            table.asked.setdefault(key)
        return read(table)

    contracts.check_sheet_reader(name, as_the_catalogue_does, sample)


@pytest.mark.parametrize(("name", "kind"), of("labkit_part_kinds"))
def test_part_kind_keeps_its_contract(name, kind):
    assert name in PARTS, f"no sample of a '{name}' in tests/plugins/samples.py"
    contracts.check_part_kind(kind, PARTS[name])


@pytest.mark.parametrize(("name", "kind"), of("labkit_chain_kinds"))
def test_chain_kind_keeps_its_contract(name, kind):
    assert name in STAGES, f"no sample of a '{name}' in tests/plugins/samples.py"
    contracts.check_chain_kind(kind, STAGES[name])


@pytest.mark.parametrize(("name", "model"), of("labkit_loss_models"))
def test_loss_model_keeps_its_contract(name, model):
    contracts.check_loss_model(model)


@pytest.mark.parametrize(("name", "reader"), of("labkit_sweep_readers"))
def test_sweep_reader_keeps_its_contract(name, reader, tmp_path):
    assert name in READER_FILES, f"no sample file for '{name}' in tests/plugins/samples.py"
    for file, content in READER_FILES.values():
        (tmp_path / file).write_bytes(content if isinstance(content, bytes) else content.encode())
    file = READER_FILES[name][0]
    for foreign in {other for other, _ in READER_FILES.values()} - {file}:
        contracts.check_sweep_reader(reader, tmp_path / file, tmp_path / foreign)


@pytest.mark.parametrize(("name", "make"), of("labkit_takes"))
def test_take_keeps_its_contract(name, make):
    contracts.check_take(make)


@pytest.mark.parametrize(("name", "panel"), of("labkit_panels"))
def test_panel_keeps_its_contract(name, panel):
    contracts.check_panel(panel)


@pytest.mark.parametrize(("name", "function"), of("labkit_case_checks"))
def test_case_check_keeps_its_contract(name, function):
    inputs = next((case.inputs for case in load_cases() if case.check == name), None)
    assert inputs is not None, f"no reference case uses the check '{name}'"
    contracts.check_case_check(name, function, inputs)


@pytest.mark.parametrize("folder", [Path(each) for each in EXAMPLE_PLUGIN.labkit_catalogue_folders()])
def test_every_sheet_of_the_example_can_be_used(folder):
    contracts.check_folder(folder)


def test_every_sheet_of_the_lab_can_be_used():
    assert catalogue().check() == ()


def test_every_hook_has_a_contract_and_a_test_of_it():
    assert tuple(contracts.CONTRACTS) == HOOKS
    source = Path(__file__).read_text(encoding="utf-8")
    for hook, contract in contracts.CONTRACTS.items():
        assert f"contracts.{contract.__name__}(" in source, f"nothing here holds {hook} to its contract"
        assert hook == "labkit_catalogue_folders" or f'of("{hook}")' in source, f"not every {hook} is tried"


def test_every_part_and_stage_that_labkit_defines_comes_through_a_hook():
    for module in pkgutil.iter_modules([str(Path(labkit.__file__).parent / "rig")], "labkit.rig."):
        importlib.import_module(module.name)
    for base, hook in ((Part, "labkit_part_kinds"), (Stage, "labkit_chain_kinds")):
        # by name: a slotted dataclass leaves the class it was made from behind
        defined = {kind.__qualname__ for kind in base.__subclasses__() if kind.__module__.startswith("labkit.")}
        defined.discard("NetlistPart")  # an element of a netlist that is read as a rig; no sheet names it
        assert defined == {kind.__qualname__ for kind in things_of(labkit.builtin, hook).values()}


def test_the_example_uses_every_hook():
    assert [hook for hook in HOOKS if not hasattr(EXAMPLE_PLUGIN, hook)] == []


# A contract that nothing can break proves nothing: each of these breaks one clause.


def broken(base: type, **changes: Any) -> type:
    """A kind with methods replaced."""
    return dataclasses.dataclass(frozen=True, slots=True, kw_only=True)(type("Broken", (base,), changes))


def _same(kind: type, name: str) -> Any:
    return kind(name=name, nodes=("a", "b"), value=150e3)


def _read_afresh(kind: type, name: str, table: Table) -> Any:
    return FixedResistor.read.__func__(kind, name, table)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"data": lambda self: {"kind": "resistor"}}, "nodes"),
        ({"data": lambda self: {"kind": "other"}}, "must hold its kind"),
        ({"elements": lambda self, position: [1]}, "must be a tuple of circuit elements"),
        (
            {"elements": lambda self, position: (Resistor(name="x", nodes=("a", "b"), resistance=1.0),)},
            "an element's name must begin with the part's",
        ),
        (
            {"elements": lambda self, position: (Resistor(name=self.name, nodes=("a", "q"), resistance=1.0),)},
            "an inner node's name must begin with the part's",
        ),
        ({"read": classmethod(lambda cls, name, table, base=None: base or _same(cls, name))}, "unknown key"),
        ({"read": classmethod(lambda cls, name, table, base=None: _read_afresh(cls, name, table))}, "is missing"),
    ],
)
def test_the_part_contract_finds(changes, sentence):
    with pytest.raises((contracts.ContractError, SheetError), match=sentence):
        contracts.check_part_kind(broken(FixedResistor, **changes), PARTS["resistor"])


def test_the_stage_contract_finds_a_shunt_that_is_none():
    kind = broken(Cable, elements=lambda self, a, b: (Resistor(name=self.name, nodes=(a, b), resistance=1.0),))
    with pytest.raises(contracts.ContractError, match="is a shunt"):
        contracts.check_chain_kind(kind, STAGES["cable"])


@pytest.mark.parametrize(
    ("model", "sentence"),
    [
        (lambda **given: given["relative_permeability"], "broadcast"),
        (lambda **given: given["relative_permeability"] * (1 + 0.1j) + 0 * given["frequency_hz"], "gives energy away"),
        (lambda **given: given["relative_permeability"] * 2 + 0 * given["frequency_hz"], "must give μ itself"),
        (lambda **given: given["relative_permeability"] / given["frequency_hz"] * 0 + float("nan"), "not finite"),
    ],
)
def test_the_loss_model_contract_finds(model, sentence):
    with pytest.raises(contracts.ContractError, match=sentence):
        contracts.check_loss_model(model)
