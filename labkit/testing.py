"""What the lab relies on in everything that comes through a hook, one check for each protocol.

labkit's own tests run these over the built-ins; a plugin's tests run them over what it brings. A check says nothing
where the contract is kept and raises `ContractError` with one sentence where it is not.
"""

from __future__ import annotations

import copy
import dataclasses
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from labkit.circuit.elements import GROUND, Element
from labkit.core.errors import InputError, LabkitError, PluginError
from labkit.core.sheet import Table

STRANGER = "no_such_key"
_KNOB_POSITIONS = (0.0, 2.5, 5.0, 10.0)
_WRONG: tuple[Any, ...] = ([], {}, -1, "\N{REPLACEMENT CHARACTER}")


class ContractError(PluginError):
    """What came through a hook does not do what the lab relies on; the message says what."""


def require(holds: object, sentence: str) -> None:
    """Raise `ContractError` with the sentence unless something holds."""
    if not holds:
        raise ContractError(sentence)


def check_sheet_reader(kind: str, read: Callable[[Table], object], sample: Mapping[str, Any]) -> None:
    """Check a reader of sheets (``labkit_sheet_kinds``).

    Parameters
    ----------
    kind : str
    read : callable
    sample : mapping
        Keys of a sheet that can be read, its ``name`` among them.
    """
    whose = f"the reader of '{kind}' sheets"
    require(read(_table(sample)) is not None, f"{whose} returns nothing")
    _refuses(read, {**sample, STRANGER: 1}, f"{whose} must refuse a key it does not know (end with table.done())")
    for key in sample:
        if key not in ("sheet", "format", "name", "summary", "source", "note", "doubt"):
            for wrong in _WRONG:
                _only_input_errors(lambda data: read(_table(data)), {**sample, key: wrong}, f"{whose}, {key}={wrong!r}")


def check_part_kind(kind: type, sample: Mapping[str, Any]) -> None:
    """Check a kind of part (``labkit_part_kinds``).

    Parameters
    ----------
    kind : type
        Subclass of `labkit.rig.parts.parts.Part`.
    sample : mapping
        Keys of a part of that kind, as in a harness sheet.
    """
    from labkit.rig.parts.parts import UNCONNECTED, Knob, Part, Selector

    whose = f"the part kind {kind.__name__}"
    require(issubclass(kind, Part), f"{whose} must be a subclass of labkit.rig.parts.parts.Part")
    part = _read_twice(kind, sample, whose)
    if "nodes" in sample:
        require(part.nodes == tuple(sample["nodes"]), f"{whose} must keep the nodes of its sheet")
    control = part.control
    require(control is None or isinstance(control, Knob | Selector), f"{whose}: control must be a Knob or a Selector")
    positions: list[Any] = [None]
    if isinstance(control, Knob):
        positions += _KNOB_POSITIONS
    elif isinstance(control, Selector):
        positions += control.positions
    for position in positions:
        elements = part.elements(position)
        _check_elements(elements, part.name, {*part.joints, GROUND}, f"{whose} at {position}")
        require(UNCONNECTED not in {n for e in elements for n in e.nodes}, f"{whose} joins an element to an open lug")
    if control is not None:
        for wrong in (math.nan, 11.0, -1.0, "no such position"):
            try:
                part.elements(wrong)
            except InputError:
                continue
            raise ContractError(f"{whose} takes the position {wrong!r}; control.check(position) refuses it")
    if isinstance(control, Knob):
        _check_arrays(part, whose)


def _check_arrays(part: Any, whose: str) -> None:
    rotation = np.array(_KNOB_POSITIONS)
    found = part.element_values(rotation, {})
    if found is None:
        return
    for index, position in enumerate(_KNOB_POSITIONS):
        for element in part.elements(position):
            value = next(getattr(element, field.name) for field in dataclasses.fields(element)[2:])
            given = np.broadcast_to(found.get(element.name, math.nan), rotation.shape)[index]
            close = given == value or math.isclose(given, value, rel_tol=1e-12)  # the same formula, as an array
            require(close, f"{whose}: element_values and elements differ at {position} for {element.name}")


def check_chain_kind(kind: type, sample: Mapping[str, Any]) -> None:
    """Check a kind of chain stage (``labkit_chain_kinds``); parameters as in `check_part_kind`."""
    from labkit.rig.chain.chain import Stage

    whose = f"the chain kind {kind.__name__}"
    require(issubclass(kind, Stage), f"{whose} must be a subclass of labkit.rig.chain.chain.Stage")
    stage = _read_twice(kind, sample, whose)
    elements = stage.elements("here", "there")
    _check_elements(elements, stage.name, {"here", "there", GROUND}, whose)
    ends = {node for element in elements for node in element.nodes}
    if stage.is_shunt:
        require("there" not in ends, f"{whose} is a shunt, so it may only load the node before it")
    else:
        require({"here", "there"} <= ends, f"{whose} is no shunt, so it must join the node before it to the one after")


def check_loss_model(model: Callable[..., Any]) -> None:
    """Check a model of eddy currents in poles (``labkit_loss_models``) from 1 nHz to 1 MHz."""
    whose = f"the loss model {getattr(model, '__name__', model)}"
    frequency = np.concatenate([[1e-9], np.geomspace(1.0, 1e6, 61)])
    permeability = np.array([[1.5], [5.0], [200.0], [2000.0]])
    radius, resistivity = np.array([[1e-3], [2.4e-3], [2.4e-3], [5e-3]]), np.array([[5e-7], [4.7e-7], [1.5e-7], [1e-7]])
    given = {
        "frequency_hz": frequency,
        "relative_permeability": permeability,
        "radius": radius,
        "resistivity": resistivity,
    }
    before = copy.deepcopy(given)
    found = np.asarray(model(**given))
    require(found.shape == (4, frequency.size), f"{whose} must broadcast to shape (4, 62) here; got {found.shape}")
    require(np.all(np.isfinite(found)), f"{whose} returns numbers that are not finite")
    require(all(np.array_equal(given[key], before[key]) for key in given), f"{whose} changes its arguments")
    # 1e-9: rounding of double precision in the Bessel functions of the built-in model, with room
    require(np.all(found.imag <= 1e-9 * np.abs(found)), f"{whose} gives energy away: imaginary part above 0")
    require(np.allclose(found[:, 0], permeability[:, 0], rtol=1e-6), f"{whose} must give μ itself at 0 Hz")
    # Lenz: induced currents oppose the field, so they cannot add to the flux in phase with it
    require(np.all(found.real <= permeability * (1 + 1e-9)), f"{whose} gives more than μ at some frequency")


def check_sweep_reader(reader: Any, sample: Path, foreign: Path) -> None:
    """Check a reader of sweep files (``labkit_sweep_readers``).

    Parameters
    ----------
    reader : SweepReader
    sample : Path
        A file it reads.
    foreign : Path
        A file of another kind, which it must leave alone unless it is general.
    """
    from labkit.bench.read.sweep import Sweep
    from labkit.bench.read.sweep_reader import NO_CHOICES, START_BYTES

    whose = f"the sweep reader {type(reader).__name__}"
    data = sample.read_bytes()
    require(reader.recognises(sample, data[:START_BYTES]) is True, f"{whose} does not recognise its own file")
    if not reader.is_general:
        claims = reader.recognises(foreign, foreign.read_bytes()[:START_BYTES])
        require(claims is False, f"{whose} claims a file of another kind")
    sweep = reader.read(sample, NO_CHOICES)
    require(isinstance(sweep, Sweep), f"{whose} must return a Sweep; got a {type(sweep).__name__}")
    require(sweep.understood, f"{whose} must say in `understood` how it read the file")
    require(sample.read_bytes() == data, f"{whose} changes the file")
    with TemporaryDirectory() as folder:
        broken = Path(folder) / sample.name
        for bad in (b"", data[: len(data) // 7], b"\xff\xfe\x00" * 50, data.replace(b"1", b"x"), b"\n" * 9):
            broken.write_bytes(bad)
            _only_input_errors(lambda path: reader.read(path, NO_CHOICES), broken, f"{whose}, {bad[:12]!r} …")


def check_take(make: Callable[[], Any]) -> None:
    """Check a maker of performances (``labkit_takes``)."""
    from labkit.sound.take.performance import Performance
    from labkit.sound.take.take import CoilSpot, synthesise

    whose = f"the take {getattr(make, '__name__', make)}"
    performance = make()
    require(isinstance(performance, Performance), f"{whose} must return a Performance")
    require(make() == performance, f"{whose} must return the same performance every time; use its seed for variation")
    require(performance.name.strip() and performance.summary.strip(), f"{whose} needs a name and a summary")
    sounding = synthesise(performance, {"coil": CoilSpot(position=0.041)}, rate=8000).emf
    require(np.any(sounding != 0), f"{whose} is silent")


def check_panel(panel: Any) -> None:
    """Check a page of the lab (``labkit_panels``)."""
    from labkit.app.kit.panels import Panel

    require(isinstance(panel, Panel), f"a panel must be a labkit.app.kit.panels.Panel; got a {type(panel).__name__}")
    whose = f"the panel '{panel.name}'"
    require(panel.title.strip() and len(panel.title) <= 24, f"{whose}: the title must have 1 to 24 characters")
    require(panel.task.strip().endswith((".", "?")), f"{whose}: the task must be a sentence")
    first, second = panel.make(), panel.make()
    require(hasattr(first, "_repr_mimebundle_"), f"{whose} must make a widget; got a {type(first).__name__}")
    require(first is not second, f"{whose} must make a new widget for every visit")
    for widget in (first, second):
        if hasattr(widget, "close"):
            widget.close()


def check_case_check(
    name: str, function: Callable[[Mapping[str, Any]], Mapping[str, float]], inputs: Mapping[str, Any]
) -> None:
    """Check a check function of reference cases (``labkit_case_checks``) with the inputs of a case."""
    whose = f"the case check '{name}'"
    given = copy.deepcopy(dict(inputs))
    found = function(given)
    require(isinstance(found, Mapping) and found, f"{whose} must return numbers by name")
    for quantity, value in found.items():
        require(isinstance(quantity, str) and math.isfinite(float(value)), f"{whose}: '{quantity}' is not finite")
    require(given == inputs, f"{whose} changes its inputs")
    again = function(copy.deepcopy(dict(inputs)))
    require(
        {key: float(value) for key, value in again.items()} == dict(found), f"{whose} gives other numbers each time"
    )
    try:
        function({})
    except (LabkitError, KeyError, TypeError):
        pass
    except Exception as error:
        raise ContractError(f"{whose} without inputs raises {type(error).__name__}; KeyError is understood") from error


def check_folder(folder: Path) -> None:
    """Check a folder of sheets (``labkit_catalogue_folders``): it exists, and every sheet in it can be used."""
    from labkit.catalogue import catalogue

    require(folder.is_dir(), f"the folder {folder} does not exist")
    found = catalogue()
    inside = [key for key, item in found.items.items() if folder in item.path.parents]
    require(inside, f"the folder {folder} brings no sheet; is its plugin installed?")
    problems = [sentence for sentence in found.problems if str(folder) in sentence]
    problems += [sentence for kind, name in inside if (sentence := found.fault_of(kind, name))]
    require(not problems, "; ".join(problems))


CONTRACTS: Mapping[str, Callable[..., None]] = {
    "labkit_catalogue_folders": check_folder,
    "labkit_sheet_kinds": check_sheet_reader,
    "labkit_part_kinds": check_part_kind,
    "labkit_chain_kinds": check_chain_kind,
    "labkit_loss_models": check_loss_model,
    "labkit_sweep_readers": check_sweep_reader,
    "labkit_takes": check_take,
    "labkit_panels": check_panel,
    "labkit_case_checks": check_case_check,
}
"""The contract of each hook."""


def _table(data: Mapping[str, Any]) -> Table:
    return Table(copy.deepcopy(dict(data)), "sample")


def _read_twice(kind: Any, sample: Mapping[str, Any], whose: str) -> Any:
    """Read a part or stage from its sample and again from what it says of itself."""
    require(isinstance(getattr(kind, "kind", None), str) and kind.kind.strip(), f"{whose} needs a `kind`")
    data = {key: value for key, value in sample.items() if key != "kind"}

    def read(of: Mapping[str, Any]) -> Any:
        table = _table(of)
        table.allow("kind")
        return kind.read("sample", table)

    thing = read(data)
    require(isinstance(thing, kind), f"{whose}: read must return one of its kind")
    said = thing.data()
    require(said.get("kind") == kind.kind, f"{whose}: data() must hold its kind")
    require(read(said) == thing, f"{whose}: data() must read back to the same thing; got {said}")
    kept = kind.read("sample", _table({"kind": kind.kind}), thing)
    require(kept == thing, f"{whose}: read with a base must keep what the table leaves out; got {kept}")
    _refuses(lambda table: kind.read("sample", table), {**data, STRANGER: 1}, f"{whose} must refuse an unknown key")
    for key in data:
        for wrong in _WRONG:
            _only_input_errors(read, {**data, key: wrong}, f"{whose}, {key}={wrong!r}")
    try:
        thing.name = "other"
    except (AttributeError, TypeError):
        return thing
    raise ContractError(f"{whose} must be frozen: the lab shares parts between rigs")


def _check_elements(elements: Any, name: str, outside: set[str], whose: str) -> None:
    is_tuple = isinstance(elements, tuple) and all(isinstance(element, Element) for element in elements)
    require(is_tuple, f"{whose}: elements must be a tuple of circuit elements")
    names = [element.name for element in elements]
    require(len(set(names)) == len(names), f"{whose}: two elements have one name")
    strangers = [each for each in names if each != name and not each.startswith(f"{name}.")]
    require(not strangers, f"{whose}: an element's name must begin with the part's; got {strangers}")
    nodes = {node for element in elements for node in element.nodes}
    loose = [node for node in nodes - outside if not node.startswith(f"{name}.")]
    require(not loose, f"{whose}: an inner node's name must begin with the part's; got {loose}")


def _refuses(read: Callable[[Table], object], data: Mapping[str, Any], sentence: str) -> None:
    try:
        read(_table(data))
    except InputError as error:
        require(STRANGER in str(error), f"{sentence}, by its name; got: {error}")
        return
    raise ContractError(sentence)


def _only_input_errors(read: Callable[[Any], object], data: Any, whose: str) -> None:
    """Bad input may be taken or refused, but a refusal must be a sentence."""
    try:
        read(data)
    except InputError:
        return
    except Exception as error:
        raise ContractError(f"{whose}: raises {type(error).__name__} ({error}); an InputError is due") from error
