"""Many variants of a rig at once: arrays of a rig's numbers become arrays of element values for the batched solver.

No rig is built for a variant. Almost every element value is *multi-affine* in the numbers of its part: of first
degree in each by itself (length × capacitance per metre + plugs; track × part of it + end resistance; fraction ×
inductance × corner). Such a map is known exactly from its values at the corners of the numbers' ranges, so it is
read off a few rigs, checked at points between, and interpolated: a convex combination, without loss of digits. This
needs nothing from a part but its sheet and its elements, and so serves the parts of plugins, too.

Where the check fails (a volume pedal's taper, say) each distinct row of numbers is built once. A part may offer its own
array formula in `Part.element_values`, as pots do for their rotation.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from labkit.circuit.elements import MAIN_VALUE, Buffer, Capacitor, Circuit, CustomAdmittance, Element, Resistor
from labkit.circuit.solve.topology import dissipative
from labkit.core.errors import InputError
from labkit.rig.inputs import RigInput, find_input, rig_inputs, with_inputs
from labkit.rig.parts.parts import Part
from labkit.rig.rig import Rig

ROUNDING = 1e-12
"""Relative deviation from a multi-affine map that is put down to rounding."""

MOST_TOGETHER = 8
"""Numbers of one group whose 2ⁿ corners are tried; larger groups are built row by row."""

_BETWEEN = ((0.381966, 0.618034, 0.236068), (0.763932, 0.145898, 0.527864), (0.09017, 0.854102, 0.437694))
"""Places inside the ranges where the map is checked (multiples of the golden section, cut to six digits)."""


@dataclass(frozen=True, slots=True, eq=False)
class _Corners:
    """A multi-affine element value: corner values over the inputs it depends on."""

    element: str
    inputs: tuple[str, ...]
    corners: np.ndarray

    def values(self, places: Mapping[str, np.ndarray]) -> np.ndarray:
        table: np.ndarray = self.corners.reshape((*self.corners.shape, 1))
        for name in self.inputs:
            table = table[0] + places[name] * (table[1] - table[0])
        return table


@dataclass(frozen=True, slots=True, eq=False)
class _ByFormula:
    """Parts with an array formula of their own: (part, its control's input or where it stands, its keys by input)."""

    parts: tuple[tuple[Part, str | np.ndarray | None, Mapping[str, str]], ...]

    def values(self, columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        found: dict[str, np.ndarray] = {}
        for part, knob, keys in self.parts:
            position = columns[knob] if isinstance(knob, str) else knob
            given = part.element_values(position, {key: columns[name] for name, key in keys.items()})
            assert given is not None
            found |= given
        return found


@dataclass(frozen=True, slots=True, eq=False)
class _RowByRow:
    """Numbers whose map has no formula here: every distinct row is built once."""

    rig: Rig
    inputs: tuple[str, ...]
    elements: tuple[str, ...]

    def values(self, columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        rows = np.column_stack([columns[name] for name in self.inputs])
        distinct, where = np.unique(rows, axis=0, return_inverse=True)
        table = np.empty((len(distinct), len(self.elements)))
        for place, row in enumerate(distinct):
            values = _main_values(plain_circuit(with_inputs(self.rig, dict(zip(self.inputs, row.tolist())))))
            table[place] = [values.get(name, 0.0) for name in self.elements]
        return {name: table[where.ravel(), index] for index, name in enumerate(self.elements)}


class Variation:
    """A rig with some of its numbers varied.

    Parameters
    ----------
    rig : Rig
    ranges : mapping of str to (low, high)
        Input names (see `labkit.rig.inputs`) and the range, SI, inside which they will be varied.
    like : Variation, optional
        Of nearly the same rig: what it knows of parts, stages and pickups that both have is taken over, which saves
        most of the work where one control moved.

    Attributes
    ----------
    circuit : Circuit
        The circuit whose element values `values` replaces.
    inputs : mapping of str to RigInput

    Raises
    ------
    InputError
        If an input is unknown, a range impossible, or a number changes more than element values.
    """

    def __init__(self, rig: Rig, ranges: Mapping[str, tuple[float, float]], *, like: Variation | None = None) -> None:
        self.rig = rig
        self.inputs: dict[str, RigInput] = {}
        self.ranges: dict[str, tuple[float, float]] = {}
        known = rig_inputs(rig)
        for name, (low, high) in ranges.items():
            found = known[name] if name in known else find_input(rig, name)
            if found.name in self.inputs:
                raise InputError(f"'{name}' is varied twice; give it once")
            if not low <= high:
                raise InputError(f"'{name}' must be varied from low to high; got {low:g} to {high:g}")
            self.inputs[found.name] = found
            self.ranges[found.name] = (float(low), float(high))
        # Between the ends, so that a part that vanishes at one of them (0 pF) has its place in the circuit.
        self.middle = {name: _between(low, high, 0.618034) for name, (low, high) in self.ranges.items()}
        self.base = with_inputs(rig, self.middle, known=self.inputs)
        self.circuit = plain_circuit(self.base)
        self.reference = _main_values(self.circuit)
        self.corners: list[_Corners] = []
        self.formulas: list[_ByFormula] = []
        self.rows: list[_RowByRow] = []
        self.by_group: dict[str, list[_Corners]] = {}
        self._map(like if like is not None and not like.rows else None)

    def values(self, columns: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return element values for the solver.

        Parameters
        ----------
        columns : mapping of str to ndarray, shape (V,)
            One for every input, SI, inside its range.

        Returns
        -------
        dict of str to ndarray, shape (V,)
            By element name, for ``values`` of `labkit.circuit.solve.solver.solve`.
        """
        places = {}
        for name, (low, high) in self.ranges.items():
            width = high - low
            column = np.asarray(columns[name], dtype=float)
            places[name] = (column - low) / width if width else np.zeros(column.shape)
        found: dict[str, np.ndarray] = {}
        for corner in self.corners:
            found[corner.element] = corner.values(places)
        for formula in self.formulas:
            found |= formula.values(columns)
        for group in self.rows:
            found |= group.values(columns)
        return found

    def variant(self, values: Mapping[str, float]) -> Rig:
        """Return one variant as a rig of its own."""
        return with_inputs(self.rig, values)

    def _map(self, like: Variation | None) -> None:
        groups: dict[str, list[str]] = {}
        for name, item in self.inputs.items():
            groups.setdefault(item.group, []).append(name)
        touched: dict[str, str] = {}
        pending = list(groups.items())
        while pending:
            group, names = pending.pop(0)
            kept = None if like is None else self._corners_of(like, group, names)
            if kept is None:
                start = len(self.corners)
                elements = self._map_group(
                    names, _BETWEEN if like is None or group not in like.by_group else _BETWEEN[:1]
                )
                kept = self.corners[start:]
            else:
                self.corners += kept
                elements = [corner.element for corner in kept]
            if kept:
                self.by_group[group] = kept
            clash = next((touched[element] for element in elements if element in touched), None)
            if clash is not None:
                # Two groups move one element (eddy fractions of two coupled coils): treat them as one, row by row.
                both = (*groups[clash], *names)
                mine = {element for element, owner in touched.items() if owner == clash} | set(elements)
                self.corners = [corner for corner in self.corners if corner.element not in mine]
                self.rows = [rows for rows in self.rows if not mine.intersection(rows.elements)]
                self.rows.append(_RowByRow(self.base, both, tuple(sorted(mine))))
                groups[clash] = list(both)
                touched |= dict.fromkeys(mine, clash)
            else:
                touched |= dict.fromkeys(elements, group)

    def _corners_of(self, like: Variation, group: str, names: list[str]) -> list[_Corners] | None:
        """What another variation knows of a group; None unless both have the same thing, varied in the same ranges.

        Whatever else might bear on it shows in the values in the middle of the ranges, which must be those of this rig.
        """
        head = names[0].partition(".")[0]
        mine, other = ({k: v for k, v in of.ranges.items() if k.partition(".")[0] == head} for of in (self, like))
        known = like.by_group.get(group)
        if known is None or mine != other or _described(self.rig, head) != _described(like.rig, head):
            return None
        places = {name: np.array([0.618034]) for name in names}
        for corner in known:
            expected = self.reference.get(corner.element, np.nan)
            found = float(corner.values(places)[0])
            if not abs(found - expected) <= ROUNDING * float(np.max(np.abs(corner.corners))):
                return None
        return known

    def _map_group(self, names: list[str], checked_at: Sequence[tuple[float, ...]]) -> list[str]:
        """Find what moves with some numbers; one place between is enough for what was multi-affine a move ago."""
        formula = self._formula(names)
        if formula is not None:
            self.formulas.append(formula)
            return list(formula.values({name: np.array([self.middle[name]]) for name in self.inputs}))
        if len(names) > MOST_TOGETHER:
            elements = self._moved(names)
            self.rows.append(_RowByRow(self.base, tuple(names), elements))
            return list(elements)
        rows = [{name: row[index % 3] for index, name in enumerate(names)} for row in checked_at]
        between = [(places, self._at(names, tuple(places.values()))) for places in rows]
        tables = {
            name: table
            for name, table in self._corner_tables(names).items()
            if np.ptp(table) != 0 or table.flat[0] != between[0][1][name]
        }
        if not self._is_multi_affine(names, tables, between):
            self.rows.append(_RowByRow(self.base, tuple(names), tuple(tables)))
            return list(tables)
        for element, table in tables.items():
            kept = list(names)
            for name in names:
                axis = kept.index(name)
                first, second = np.take(table, 0, axis=axis), np.take(table, 1, axis=axis)
                if np.array_equal(first, second):
                    table = first
                    kept.remove(name)
            self.corners.append(_Corners(element, tuple(kept), table))
        return list(tables)

    def _formula(self, names: list[str]) -> _ByFormula | None:
        group = self.inputs[names[0]].group
        knob = group if group in names else None
        parts: list[tuple[Part, str | np.ndarray | None, Mapping[str, str]]] = []
        left = set(names) - {knob}
        for part in self.base.harness.parts.values():
            keys = {
                name: name.partition(".")[2] for name in names if name.partition(".")[0] == part.name and name != knob
            }
            moved = knob is not None and part.control is not None and part.control.name == knob
            if not keys and not moved:
                continue
            # Where only the part's numbers are varied, its knob stays where it stands.
            stands = None if part.control is None else self.base.settings[part.control.name]
            if isinstance(stands, str):
                return None
            here = None if stands is None else np.array([float(stands)])
            middle = {key: np.array([self.middle[name]]) for name, key in keys.items()}
            if part.element_values(here, middle) is None:
                return None
            parts.append((part, knob if moved else here, keys))
            left -= set(keys)
        return _ByFormula(tuple(parts)) if parts and not left else None

    def _at(self, names: list[str], places: tuple[float, ...]) -> dict[str, float]:
        """Element values with the group's inputs at places 0 … 1 of their ranges, all others in the middle."""
        given = {name: _between(*self.ranges[name], place) for name, place in zip(names, places)}
        circuit = plain_circuit(with_inputs(self.base, given, known=self.inputs))
        self._check_same_shape(circuit, names)
        values = _main_values(circuit)
        return {name: values.get(name, 0.0) for name in self.reference}

    def _moved(self, names: list[str]) -> tuple[str, ...]:
        ends = [self._at(names, (end,) * len(names)) for end in (0.0, 0.381966, 1.0)]
        return tuple(name for name in self.reference if len({values[name] for values in ends}) > 1)

    def _corner_tables(self, names: list[str]) -> dict[str, np.ndarray]:
        shape = (2,) * len(names)
        tables = {name: np.empty(shape) for name in self.reference}
        for corner in itertools.product((0, 1), repeat=len(names)):
            for name, value in self._at(names, tuple(map(float, corner))).items():
                tables[name][corner] = value
        return tables

    def _is_multi_affine(
        self,
        names: list[str],
        tables: Mapping[str, np.ndarray],
        between: Sequence[tuple[Mapping[str, float], Mapping[str, float]]],
    ) -> bool:
        if not all(np.all(np.isfinite(table)) for table in tables.values()):
            return False
        for places, exact in between:
            by_name = {name: np.array([place]) for name, place in places.items()}
            for element, table in tables.items():
                mapped = float(_Corners(element, tuple(names), table).values(by_name)[0])
                if abs(mapped - exact[element]) > ROUNDING * float(np.max(np.abs(table))):
                    return False
        return True

    def _check_same_shape(self, circuit: Circuit, names: list[str]) -> None:
        other = {element.name: element for element in circuit.elements}
        for element in self.circuit.elements:
            twin = other.pop(element.name, None)
            if twin is None and not isinstance(element, Capacitor | CustomAdmittance):
                self._refuse(names, element)
            if twin is not None and _without_value(twin) != _without_value(element):
                self._refuse(names, element)
        for element in other.values():
            self._refuse(names, element)

    def _refuse(self, names: list[str], element: Element) -> None:
        raise InputError(
            f"{' and '.join(names)}: cannot be varied over this range, because it changes more of '{element.name}' "
            "than its value (a part comes or goes with it); narrow the range, or compare rigs one by one"
        )


def plain_circuit(rig: Rig) -> Circuit:
    """Return a rig's circuit with one value in every element, so that every number can be varied.

    A buffer's output resistance becomes a resistor behind it, a capacitor's losses an admittance ω·C·tan δ beside it.
    """
    found: list[Element] = []
    for element in rig.circuit.elements:
        if isinstance(element, Buffer):
            into, out = element.nodes
            inside = f"inside {element.name}"
            found.append(dataclasses.replace(element, nodes=(into, inside), output_resistance=0.0))
            resistance = element.output_resistance
            found.append(Resistor(name=f"{element.name} output", nodes=(inside, out), resistance=resistance))
        elif isinstance(element, Capacitor) and element.dissipation:
            loss = element.capacitance * element.dissipation
            found.append(dataclasses.replace(element, dissipation=0.0))
            found.append(
                CustomAdmittance(name=f"{element.name} loss", nodes=element.nodes, row=dissipative, coefficient=loss)
            )
        else:
            found.append(element)
    return dataclasses.replace(rig.circuit, elements=tuple(found))


def _described(rig: Rig, head: str) -> tuple[object, ...]:
    """The thing that numbers belong to, with where its control stands; parts and pickups by identity."""
    part = rig.harness.parts.get(head)
    control = None if part is None else part.control
    stages = [stage for stage in rig.chain if stage.name == head]
    return id(part), id(rig.pickups.get(head)), stages, None if control is None else rig.settings[control.name]


def _between(low: float, high: float, place: float) -> float:
    return high if place == 1.0 else low + place * (high - low)


def _main_values(circuit: Circuit) -> dict[str, float]:
    return {
        element.name: getattr(element, MAIN_VALUE[type(element)])
        for element in circuit.elements
        if type(element) in MAIN_VALUE
    }


def _without_value(element: Element) -> tuple[object, ...]:
    main = MAIN_VALUE.get(type(element))
    own = [getattr(element, field.name) for field in dataclasses.fields(element) if field.name != main]
    return (type(element), *own)
