"""A rig at its present settings as a `DrawnCircuit`: every part with its value and the position of its control.

Pickups are drawn by their coils; capacitance, losses and eddy currents of a coil belong to its symbol. A part or
stage of a kind not known here is drawn by the elements it turns into, so that every plugin's part can be drawn.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from string import ascii_lowercase

from labkit.circuit.elements import (
    Buffer,
    Capacitor,
    Contact,
    ControlledVoltage,
    CustomAdmittance,
    Element,
    Inductor,
    Resistor,
)
from labkit.core.joined import Joined
from labkit.core.units import format_quantity
from labkit.pickup.electrical import Coil, Pickup
from labkit.rig.chain.chain import Cable, Input, Stage
from labkit.rig.chain.stages import (
    AmplifierStage,
    BufferBox,
    BypassBox,
    CableLine,
    PassiveSplit,
    ToneStack,
    TransistorStage,
    ValveInput,
    VolumePedal,
)
from labkit.rig.devices.device import COMMON
from labkit.rig.devices.fit import DeviceFit, fit_devices, refusal
from labkit.rig.devices.plan import Nets
from labkit.rig.parts.active import BufferStage, DummyCoil, OnboardBuffer, ScreenedLead, ShelvingAmplifier
from labkit.rig.parts.parts import FixedCapacitor, FixedInductor, FixedResistor, Part, Pot, Switch
from labkit.rig.rig import Rig
from labkit.view.schematic.parts import GROUND, OPEN, DrawnCircuit, DrawnPart, PartKind

NO_BREAK = "\u00a0"


def short_quantity(value: float, unit: str) -> str:
    """Return a value in three significant digits at most, as it is printed on a part, with a no-break blank."""
    return tied(format_quantity(float(f"{value:.3g}"), unit))


def tied(words: object) -> str:
    """Return words that stay on one line."""
    return str(words).replace(" ", NO_BREAK)


def load_value(resistance: float, capacitance: float) -> str:
    """Return the value of an input: ``1 MΩ ∥ 100 pF``, or the resistance alone."""
    text = short_quantity(resistance, "Ω")
    return f"{text} ∥ {short_quantity(capacitance, 'F')}" if capacitance > 0 else text


def two_pin(kind: PartKind, name: str, nodes: tuple[str, ...], *label: str) -> DrawnPart:
    """Return a part with two pins and label lines."""
    return DrawnPart(kind=kind, name=name, nodes=nodes, label=label)


_VALUED: dict[type, tuple[PartKind, str, str]] = {
    Resistor: ("resistor", "resistance", "Ω"),
    Capacitor: ("capacitor", "capacitance", "F"),
    Inductor: ("inductor", "inductance", "H"),
    FixedResistor: ("resistor", "value", "Ω"),
    FixedCapacitor: ("capacitor", "value", "F"),
    ScreenedLead: ("cable", "capacitance", "F"),
}
"""Things of two pins and one value: their symbol, the field of the value and its unit."""


def valued_part(thing: Element | Part) -> DrawnPart | None:
    """Return the drawing of a thing of two pins and one value; None for another kind of thing."""
    for kind, (symbol, field, unit) in _VALUED.items():
        if isinstance(thing, kind):
            value = short_quantity(getattr(thing, field), unit)
            return two_pin(symbol, thing.name, thing.nodes, _words(thing.name), value)
    return None


def _words(name: str) -> str:
    return name.replace("_", " ").replace(".", " ")


def load_part(name: str, node: str, resistance: float, capacitance: float, words: str) -> DrawnPart:
    """Return an input to ground: a box of R ∥ C, or a plain resistor when it has no capacitance."""
    kind: PartKind = "input" if capacitance > 0 else "resistor"
    return two_pin(kind, name, (node, GROUND), words, load_value(resistance, capacitance))


def buffer_parts(name: str, stage: BufferStage, before: str, after: str) -> Iterator[DrawnPart]:
    """Yield a buffer's input load and the buffer itself."""
    words = _words(name)
    yield load_part(f"{name}.input", before, stage.input_resistance, stage.input_capacitance, f"{words} input")
    values = [f"×{stage.gain:.3g}"]
    if stage.output_resistance > 0:
        values.append(short_quantity(stage.output_resistance, "Ω"))
    yield DrawnPart(kind="buffer", name=name, nodes=(before, after), label=(words, ", ".join(values)))


def element_parts(elements: tuple[Element, ...]) -> Iterator[DrawnPart]:
    """Yield one part per element: the fallback for kinds that have no drawing of their own."""
    for element in elements:
        words = _words(element.name)
        valued = valued_part(element)
        if valued is not None:
            yield valued
        elif isinstance(element, Contact):
            yield DrawnPart(
                kind="contact", name=element.name, nodes=element.nodes, label=(words,), closed=(element.closed,)
            )
        elif isinstance(element, Buffer):
            value = f"×{element.gain:g}, {short_quantity(element.output_resistance, 'Ω')}"
            yield DrawnPart(kind="buffer", name=element.name, nodes=element.nodes, label=(words, value))
        elif isinstance(element, ControlledVoltage):
            plus, minus = element.nodes[2:]
            value = f"×{element.gain:.3g} of {_words(plus)} less {_words(minus)}"
            read = plus if plus != GROUND else minus
            yield DrawnPart(kind="buffer", name=element.name, nodes=(read, element.nodes[0]), label=(words, value))
        elif isinstance(element, CustomAdmittance):
            yield two_pin("impedance", element.name, element.nodes, words)


def chain_parts(chain: tuple[Stage, ...], tip: str, taken: set[str]) -> Iterator[DrawnPart]:
    """Yield the chain from the node of the jack's tip to the output.

    Parameters
    ----------
    chain : tuple of Stage
    tip : str
        Node of the jack's tip.
    taken : set of str
        Names that parts of the harness have; a stage of the same name gets ``chain.`` before it.
    """

    def own(part: DrawnPart) -> DrawnPart:
        name = part.name
        while name in taken:
            name = f"chain.{name}"
        taken.add(name)
        return replace(part, name=name, label=part.lines)

    node = tip
    if chain:
        yield own(DrawnPart(kind="connector", name="jack", nodes=(node, "jack.tip"), label=("jack",)))
        node = "jack.tip"
    for part, after in _stages(chain, node, "chain"):
        yield own(part)
        node = after
    yield own(DrawnPart(kind="output", name="output", nodes=(node,), label=("output",)))


def _stages(stages: tuple[Stage, ...], node: str, prefix: str) -> Iterator[tuple[DrawnPart, str]]:
    """Yield every part with the node that the line has reached after it."""
    for index, stage in enumerate(stages, start=1):
        after = f"{prefix}.{index}" if isinstance(stage, Cable) or not stage.is_shunt else node
        for part in _stage(stage, node, after):
            yield part, after
        node = after


def _stage(stage: Stage, before: str, after: str) -> Iterator[DrawnPart]:
    words = _words(stage.name)
    if isinstance(stage, Cable):
        label = (f"{words} {stage.length:.3g}{NO_BREAK}m", short_quantity(stage.capacitance, "F"))
        yield DrawnPart(kind="line", name=stage.name, nodes=(before, after, GROUND), label=label)
    elif isinstance(stage, Input):
        yield load_part(stage.name, before, stage.resistance, stage.capacitance, words)
    elif isinstance(stage, BypassBox):
        yield two_pin("cable", stage.name, (before, GROUND), words, short_quantity(stage.capacitance, "F"))
    elif isinstance(stage, BufferBox):
        yield from buffer_parts(stage.name, stage.stage, before, after)
    elif isinstance(stage, VolumePedal):
        lines = (words, f"{short_quantity(stage.value, 'Ω')} {tied(stage.taper)}", f"at {stage.position:g}")
        yield DrawnPart(kind="pot", name=stage.name, nodes=(before, after, GROUND), label=lines)
    elif isinstance(stage, ValveInput):
        yield from _valve(stage, before, after)
    elif isinstance(stage, CableLine):
        label = (
            f"{words} {stage.length:.3g}{NO_BREAK}m",
            short_quantity(stage.length * stage.resistance_per_length, "Ω"),
        )
        yield DrawnPart(kind="line", name=stage.name, nodes=(before, after, GROUND), label=label)
    elif isinstance(stage, AmplifierStage):
        yield load_part(f"{stage.name}.input", before, stage.input_resistance, 0.0, f"{words} input")
        lines = (words, stage.connection, f"{stage.gain_db:+.3g}{NO_BREAK}dB")
        yield DrawnPart(kind="buffer", name=stage.name, nodes=(before, after), label=lines)
    elif isinstance(stage, TransistorStage):
        yield load_part(f"{stage.name}.input", before, stage.leak, 0.0, f"{words} input")
        lines = (words, stage.connection, short_quantity(stage.transistor.transconductance, "S"))
        yield DrawnPart(kind="buffer", name=stage.name, nodes=(before, after), label=lines)
    elif isinstance(stage, ToneStack):
        knobs = f"treble {stage.treble:g}, middle {stage.middle:g}, bass {stage.bass:g}"
        yield DrawnPart(kind="buffer", name=stage.name, nodes=(before, after), label=(words, knobs))
    elif isinstance(stage, PassiveSplit):
        for part, _ in _stages(stage.branch, before, stage.name):
            yield part
    else:
        yield from element_parts(stage.elements(before, after))


def _valve(stage: ValveInput, before: str, after: str) -> Iterator[DrawnPart]:
    resistors = (
        ("leak", stage.leak, (before, GROUND)),
        ("stopper", stage.stopper, (before, after)),
        ("divider", stage.divider, (after, GROUND)),
    )
    for word, ohms, nodes in resistors:
        if ohms is not None:
            yield two_pin("resistor", f"{stage.name}.{word}", nodes, word, short_quantity(ohms, "Ω"))
    value = short_quantity(stage.grid_capacitance, "F")
    yield two_pin("capacitor", f"{stage.name}.grid", (after, GROUND), "valve grid", value)


_LONGEST_CONTACT_LABEL = 34
"""Letters; a contact that closes in many positions is numbered instead of listing them all."""


def drawing_of(rig: Rig) -> DrawnCircuit:
    """Describe a rig for drawing.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    DrawnCircuit
        Cables are drawn in line and the jack as a connector, so that the nodes on both sides of these bear
        different names although they are one in ``rig.circuit``. A switch for which the search for a real one was
        broken off has the joins of its sheet, and the summary says why.

    Raises
    ------
    InputError
        If no real switch makes the joins of one of the harness's switches, with the reason.
    """
    parts: list[DrawnPart] = []
    alias = _pickup_aliases(rig)
    for slot, pickup in rig.pickups.items():
        parts += _coils(slot, pickup, alias)
    fits = fit_devices(rig.harness)
    for fit in fits.values():
        if fit.verdict == "impossible":
            raise refusal(rig.harness, fit, "drawn")
    are_found = all(fit.is_found for fit in fits.values())
    net = Nets(rig.harness, fits if are_found else {}, known=alias.items())
    drawn: set[str] = set()
    for part in rig.harness.parts.values():
        if not are_found or not isinstance(part, Switch):
            parts += _harness_part(part, rig)
        elif part.control.name not in drawn:
            drawn.add(part.control.name)
            parts += _poles(fits[part.control.name], str(rig.settings[part.control.name]), net)
    names = _plain_names({*alias, *(node for part in parts for node in part.nodes)} - {OPEN}, net)
    parts = [replace(part, nodes=tuple(names.get(net(node), node) for node in part.nodes)) for part in parts]
    output = rig.harness.output
    parts += chain_parts(rig.chain, names.get(net(output), output), {part.name for part in parts})
    return DrawnCircuit(name=rig.name, parts=tuple(parts), summary=_settings(rig, fits))


LEGEND = (
    "a dot marks the start of a coil wound clockwise (seen from the strings), the finish of one wound the other way"
)
"""Under the heading of every drawing; a coil whose sheet does not say how it is wound counts as clockwise."""


def _settings(rig: Rig, fits: Mapping[str, DeviceFit]) -> str:
    settings = [f"{name.replace('_', ' ')} {_position(where)}" for name, where in rig.settings.items()]
    lost = [fit.reason for fit in fits.values() if not fit.is_found]
    switches = [f"joins as in the sheet, for {lost[0]}"] if lost else [fit.words.rstrip(".") for fit in fits.values()]
    return " · ".join([*settings, *switches, LEGEND])


def _coil_kind(coil: Coil) -> PartKind:
    return "reversed coil" if coil.wound == "counter-clockwise" else "coil"


def _position(where: float | str) -> str:
    return f"{where:g}" if isinstance(where, int | float) else where.replace("_", " ")


def _pickup_aliases(rig: Rig) -> dict[str, str]:
    """Return a node for every one that the pickups' own joints make one with others."""
    joints = [
        element.nodes
        for element in rig.circuit.of_kind(Contact)
        if element.closed and element.name.partition(".")[0] in rig.pickups and element.name not in rig.harness.parts
    ]
    joined = Joined(joints)
    return {node: joined.root(node) for node in set().union(*joints)}


def _plain_names(nodes: Iterable[str], net: Nets) -> dict[str, str]:
    """Return a name for every set of nodes that are one, by its root; ground first, short first."""

    def rank(node: str) -> tuple[bool, int, str]:
        return node != GROUND, node.count("."), node

    found: dict[str, str] = {}
    for node in sorted(nodes, key=rank):
        found.setdefault(net(node), node)
    return found


def _coils(slot: str, pickup: Pickup, alias: dict[str, str]) -> Iterator[DrawnPart]:
    is_pair = len(pickup.coils) > 1
    for name, coil in pickup.coils.items():
        words = f"{slot}, {name} coil" if is_pair else slot
        lines = [words.replace("_", " "), *_coil_values(coil)]
        if is_pair and pickup.coupling and name == next(iter(pickup.coils)):
            lines.append(f"coupled {pickup.coupling:.2g}")
        nodes = (f"{slot}.{name}.start", f"{slot}.{name}.finish")
        yield DrawnPart(kind=_coil_kind(coil), name=f"{slot}.{name}", nodes=nodes, label=tuple(lines))
    hot = f"{slot}.hot"
    if pickup.lead_capacitance > 0 and hot in alias:
        yield DrawnPart(
            kind="capacitor",
            name=f"{slot}.lead",
            nodes=(hot, f"{slot}.ground"),
            label=(f"{slot} lead".replace("_", " "), short_quantity(pickup.lead_capacitance, "F")),
        )


def _coil_values(coil: Coil) -> Iterator[str]:
    yield f"{short_quantity(coil.resistance, 'Ω')}, {short_quantity(coil.inductance, 'H')}"
    if coil.capacitance > 0:
        yield short_quantity(coil.capacitance, "F")


def _harness_part(part: Part, rig: Rig) -> Iterator[DrawnPart]:
    control = part.control
    where = None if control is None else rig.settings[control.name]
    words = _words(part.name)
    if isinstance(part, Pot):
        ganged = "" if part.control_name in ("", part.name) else f"{part.control_name.replace('_', ' ')} "
        at = f"{ganged}at {_position(where)}" if where is not None else ""
        value = f"{short_quantity(part.value, 'Ω')} {tied(part.taper)}"
        cut = () if part.opens_above is None else (f"open above {part.opens_above:.0%}",)
        gang = part.control.name
        yield DrawnPart(kind="pot", name=part.name, nodes=part.nodes, label=(words, value, at, *cut), gang=gang)
    elif isinstance(part, FixedInductor):
        value = short_quantity(part.value, "H")
        if part.resistance > 0:
            value = f"{value}, {short_quantity(part.resistance, 'Ω')}"
        yield two_pin("inductor", part.name, part.nodes, words, value)
    elif isinstance(part, Switch):
        yield from _switch(part, str(where))
    elif isinstance(part, OnboardBuffer):
        yield from buffer_parts(part.name, part.stage, *part.nodes)
    elif isinstance(part, ShelvingAmplifier):
        lines = (words, f"±{part.range_db:g}{NO_BREAK}dB", f"at {_position(part.default if where is None else where)}")
        yield DrawnPart(kind="buffer", name=part.name, nodes=part.nodes, label=lines)
    elif isinstance(part, DummyCoil):
        label = (words, *_coil_values(part.coil))
        yield DrawnPart(kind=_coil_kind(part.coil), name=part.name, nodes=part.nodes, label=label)
    elif (valued := valued_part(part)) is not None:
        yield valued
    else:
        yield from element_parts(part.elements(where))


def _poles(fit: DeviceFit, where: str, net: Nets) -> Iterator[DrawnPart]:
    """Yield the poles of a real switch, with the lugs that the soldering drawing names; those that join nothing not."""
    device = fit.device
    if device is None:
        return
    closed = {throw for _, throw in device.joined(fit.order.index(where))}
    words = fit.control.replace("_", " ")
    poles: dict[str, list[str]] = {lug: [] for lug in fit.nodes if lug.endswith(COMMON)}
    for lug in fit.nodes:
        if lug not in poles:
            poles[f"{lug[0]}{COMMON}"].append(lug)
    for common, lugs in poles.items():
        throws: dict[str, list[str]] = {}
        for lug in lugs:
            node = net(fit.nodes[lug])
            if node != net(fit.nodes[common]):
                throws.setdefault(node, []).append(lug)
        letter = "" if len(poles) == 1 else f" {common[0]}"
        labels = tuple(f"{words} {' '.join(each)}" for each in throws.values())
        states = tuple(any(lug in closed for lug in each) for each in throws.values())
        kind: PartKind = "contact" if len(throws) == 1 else "pole"
        if throws:
            yield DrawnPart(
                kind=kind,
                name=f"{fit.control}{letter.replace(' ', '.')}",
                nodes=(net(fit.nodes[common]), *throws),
                label=labels if len(throws) == 1 else (f"{words}{letter}", where.replace("_", " ")),
                closed=states,
                throw_labels=() if len(throws) == 1 else labels,
                throw_names=() if len(throws) == 1 else tuple(map(" ".join, throws.values())),
                gang=fit.control,
            )


def _switch(part: Switch, where: str) -> Iterator[DrawnPart]:
    """Take a switch apart into poles: stars of contacts about a common node, the largest first."""
    closed = {frozenset(pair) for pair in part.positions[where]}
    left = [pair for pair in dict.fromkeys(frozenset(pair) for pair in part.contacts()) if len(pair) == 2]
    order = {node: index for index, node in enumerate(part.nodes)}
    stars: list[tuple[str, list[str]]] = []
    while left:
        count = Counter(node for pair in left for node in pair)
        common = max(count, key=lambda node: (count[node], node != GROUND, -order[node]))
        mine = [pair for pair in left if common in pair]
        if len(mine) == 1:
            common = min(mine[0], key=lambda node: order[node])
        stars.append((common, [next(iter(pair - {common})) for pair in mine]))
        left = [pair for pair in left if common not in pair]
    for letter, (common, throws) in zip(ascii_lowercase * len(stars), stars):
        name = part.name if len(stars) == 1 else f"{part.name}.{letter}"
        words = part.name.replace("_", " ") + ("" if len(stars) == 1 else f" {letter}")
        labels = tuple(_contact_label(part, words, frozenset({common, throw}), i) for i, throw in enumerate(throws, 1))
        states = tuple(frozenset({common, throw}) in closed for throw in throws)
        if len(throws) == 1:
            yield DrawnPart(
                kind="contact", name=name, nodes=(common, *throws), label=labels, closed=states, gang=part.control.name
            )
        else:
            yield DrawnPart(
                kind="pole",
                name=name,
                nodes=(common, *throws),
                label=(words, where.replace("_", " ")),
                closed=states,
                throw_labels=labels,
                gang=part.control.name,
            )


def _contact_label(part: Switch, words: str, pair: frozenset[str], number: int) -> str:
    """Name a contact by the positions that close it: the link between contacts drawn apart."""
    closing = [name for name, pairs in part.positions.items() if pair in [frozenset(found) for found in pairs]]
    text = f"{words}: {', '.join(closing).replace('_', ' ')}"
    return text if len(text) <= _LONGEST_CONTACT_LABEL else f"{words}, contact {number}"
