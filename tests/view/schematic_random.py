"""Random circuits: of the trade's kind, put together by a seeded die, and parts thrown together without sense."""

from __future__ import annotations

import random

from labkit.view.schematic import GROUND, OPEN, DrawnCircuit, DrawnPart
from labkit.view.schematic.parts import PIN_NAMES


class _Builder:
    def __init__(self, seed: int) -> None:
        self.die = random.Random(seed)
        self.parts: list[DrawnPart] = []
        self.nets = 0

    def net(self) -> str:
        self.nets += 1
        return f"n{self.nets}"

    def chance(self, probability: float) -> bool:
        return self.die.random() < probability

    def add(self, kind: str, *nodes: str, closed: tuple[bool, ...] = ()) -> None:
        name = f"{kind}_{len(self.parts)}"
        values = {
            "resistor": "4.7 kΩ",
            "capacitor": "22 nF",
            "inductor": "1.5 H",
            "pot": "250 kΩ audio",
            "coil": "6.0 kΩ, 2.4 H",
            "cable": "500 pF",
            "line": "500 pF",
            "input": "1 MΩ ∥ 100 pF",
        }
        words = self.die.choice(["", " of the neck", " bridge side", " a"])
        label = (kind + words, values[kind]) if kind in values else (kind + words,)
        self.parts.append(DrawnPart(kind=kind, name=name, nodes=nodes, label=label, closed=closed))

    def contact(self, a: str, b: str) -> None:
        self.add("contact", a, b, closed=(self.chance(0.5),))

    def pole(self, common: str, *throws: str) -> None:
        self.add("pole", common, *throws, closed=tuple(self.chance(0.5) for _ in throws))

    def pickup(self) -> str:
        hot, kind = self.net(), self.die.randrange(6)
        if kind < 3:
            self.add("coil", hot, GROUND)
            return hot
        middle = self.net()
        self.add("coil", hot, middle)
        if kind == 3:
            self.add("coil", middle, GROUND)
            if self.chance(0.7):
                self.contact(middle, GROUND)
        elif kind == 4:
            other = self.net()
            self.add("coil", other, GROUND)
            self.pole(middle, GROUND, other)
            self.pole(other, hot, OPEN)
        else:
            self.add("coil", middle, GROUND)
            split = self.net()
            self.contact(middle, split)
            self.add(self.die.choice(["resistor", "capacitor"]), split, GROUND)
        if self.chance(0.15):
            out = self.net()
            self.pole(hot, out, GROUND)
            return out
        return hot

    def tone(self, net: str) -> None:
        node = self.net()
        if self.chance(0.5):
            self.add("pot", OPEN, node, net)
        else:
            self.add("pot", net, node, node)
        if self.chance(0.2):
            extra = self.net()
            self.add(self.die.choice(["resistor", "inductor"]), node, extra)
            node = extra
        self.add("capacitor", node, GROUND)

    def volume(self, net: str, out: str) -> None:
        if self.chance(0.2):
            self.add("pot", out, net, GROUND)
        else:
            self.add("pot", net, out, GROUND)
        bleed = self.die.randrange(6)
        if bleed < 2:
            self.add("capacitor", net, out)
            if bleed == 1:
                self.add("resistor", net, out)
        elif bleed == 2:
            node = self.net()
            self.add("capacitor", net, node)
            self.add("resistor", node, out)

    def channel(self) -> str:
        net = self.pickup()
        if self.chance(0.3):
            self.tone(net)
        if self.chance(0.4):
            out = self.net()
            self.volume(net, out)
            net = out
            if self.chance(0.25):
                self.tone(net)
        if self.chance(0.12):
            out = self.net()
            self.add("line", net, out, GROUND)
            net = out
        return net


def random_circuit(seed: int) -> DrawnCircuit:
    """Return a circuit of about 7 to 27 parts, the same for the same seed."""
    b = _Builder(seed)
    channels = [b.channel() for _ in range(b.die.choice([1, 2, 2, 2, 3, 3]))]
    bus = channels[0]
    if len(channels) > 1:
        bus = b.net()
        way = b.die.randrange(4)
        if way <= 1:
            b.pole(bus, *channels)
            if b.chance(0.25):
                second = b.net()
                b.pole(second, *channels[:2])
                b.tone(second)
        elif way == 2:
            for channel in channels:
                b.contact(channel, bus)
        else:
            for channel in channels:
                if b.chance(0.7):
                    b.volume(channel, bus)
                else:
                    b.add("capacitor", channel, bus)
    if b.chance(0.5):
        b.tone(bus)
    if b.chance(0.3):
        out = b.net()
        b.add("capacitor", bus, out)
        b.add("pot", bus, out, out)
        bus = out
    if b.chance(0.6):
        out = b.net()
        b.volume(bus, out)
        bus = out
    if b.chance(0.2):
        out = b.net()
        b.add("input", bus, GROUND)
        b.add("buffer", bus, out)
        bus = out
    if b.chance(0.3):
        b.add(b.die.choice(["resistor", "capacitor", "impedance"]), bus, GROUND)
    end = b.net()
    b.add("connector", bus, end)
    if b.chance(0.7):
        far = b.net()
        b.add("line", end, far, GROUND)
        end = far
    else:
        b.add("cable", end, GROUND)
    b.add("input", end, GROUND)
    b.add("output", end)
    nets = list(dict.fromkeys(node for part in b.parts for node in part.nodes if node not in (GROUND, OPEN)))
    if b.chance(0.25):
        b.add(b.die.choice(["resistor", "capacitor"]), *b.die.sample(nets, 2))
    if b.chance(0.1):
        b.add("pot", *b.die.sample(nets, 3))
    return DrawnCircuit(name=f"random circuit {seed}", parts=tuple(b.parts))


def arbitrary_circuit(seed: int) -> DrawnCircuit:
    """Return parts thrown between nodes without any sense: what a drawing must survive, the same for the same seed."""
    die = random.Random(seed)
    nets = [f"n{number}" for number in range(die.randint(1, 20))] + [GROUND] * 3
    kinds = [*PIN_NAMES, "resistor", "pot", "pole"]

    def node() -> str:
        return OPEN if die.random() < 0.04 else die.choice(nets)

    def part(number: int) -> DrawnPart:
        kind = die.choice(kinds)
        count = die.randint(2, 6) if kind == "pole" else len(PIN_NAMES[kind])
        label = die.choice([("x",), ("long words in a label", "1 kΩ"), ("part", "22 nF", "at 5")])
        return DrawnPart(kind=kind, name=f"p{number}", nodes=tuple(node() for _ in range(count)), label=label)

    return DrawnCircuit(name=f"arbitrary circuit {seed}", parts=tuple(map(part, range(die.randint(1, 20)))))
