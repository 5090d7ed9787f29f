"""Random rigs: any harness of the catalogue, pickups and parts of usual size, knobs anywhere, often at their ends."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from random import Random

from labkit.catalogue import catalogue
from labkit.core.sheet import Table
from labkit.pickup.electrical import Coil, EddySection, Pickup
from labkit.rig.chain.chain import Cable, Input, Stage
from labkit.rig.chain.stages import BufferBox, ValveInput, VolumePedal
from labkit.rig.harness import Harness, read_harness
from labkit.rig.parts.active import BufferStage
from labkit.rig.parts.parts import FixedCapacitor, FixedInductor, FixedResistor, Knob, Part, Position, Pot
from labkit.rig.parts.taper import parse_taper
from labkit.rig.rig import Rig
from labkit.rig.sheet import read_stage


def log_uniform(random: Random, low: float, high: float) -> float:
    """Return a number between ``low`` and ``high`` whose logarithm is spread evenly."""
    return math.exp(random.uniform(math.log(low), math.log(high)))


@cache
def harnesses() -> tuple[Harness, ...]:
    """Every harness of the catalogue."""
    known = catalogue()
    return tuple(read_harness(known.item("harness", name).table()) for name in known.names("harness"))


def random_rig(random: Random) -> Rig:
    """Return a rig with a random harness, pickups, part values, control positions and chain."""
    harness = random.choice(harnesses())
    for part in harness.parts.values():
        harness = harness.with_part(_other_value(random, part))
    return Rig(
        name="random rig",
        pickups={slot: random_pickup(random, two_coils=_wants_coils(harness, slot)) for slot in harness.slots},
        harness=harness,
        settings={control.name: _position(random, control) for control in harness.controls},
        chain=random_chain(random, has_active=True),
    )


def corner_rigs(harness: Harness, at_most: int) -> Iterator[Rig]:
    """Yield rigs with every knob at an end of its travel, over all positions of the switches, or a sample of them."""
    random = Random(harness.name)
    choices = [[0.0, 10.0] if isinstance(control, Knob) else list(control.positions) for control in harness.controls]
    corners: list[tuple[Position, ...]] = list(itertools.product(*choices))
    if len(corners) > at_most:
        corners = random.sample(corners, at_most)
    for corner in corners:
        yield Rig(
            name=f"{harness.name} at {corner}",
            pickups={slot: random_pickup(random, two_coils=_wants_coils(harness, slot)) for slot in harness.slots},
            harness=harness,
            settings=dict(zip((control.name for control in harness.controls), corner)),
            chain=random_chain(random),
        )


def random_pickup(random: Random, *, two_coils: bool | None = None) -> Pickup:
    """Return a pickup of one or two coils; with two, one faces north and the other south."""
    if two_coils is None:
        two_coils = random.random() < 0.4
    if not two_coils:
        return Pickup(name="one coil", coils={"main": _coil(random, random.choice(["north", "south"]))})
    return Pickup(
        name="two coils",
        coils={"screw": _coil(random, "south"), "slug": _coil(random, "north")},
        connection=random.choice(["series", "parallel"]),
        coupling=random.choice([0.0, random.uniform(0.02, 0.3)]),
        lead_capacitance=random.choice([0.0, log_uniform(random, 1e-11, 1e-10)]),
    )


def random_chain(random: Random, *, has_active: bool = False) -> tuple[Stage, ...]:
    """Return a cable and what it ends in, sometimes with a buffer or a pedal and a second cable between.

    With ``has_active`` amplifiers, transistors, transformers, lines and tone stacks may stand there, too.
    """

    def cable(name: str) -> Cable:
        return Cable(
            name=name, length=random.uniform(0.5, 30), capacitance_per_length=log_uniform(random, 3e-11, 2e-10)
        )

    buffer = BufferStage(
        input_resistance=log_uniform(random, 5e4, 1e7),
        input_capacitance=random.choice([0.0, 1e-11]),
        gain_db=random.choice([0.0, 6.0]),
        output_resistance=random.choice([0.0, 1e3]),
    )
    pedal = VolumePedal(
        name="pedal", value=2.5e5, taper=parse_taper("audio 10 %"), position=random.choice([0.0, 4.0, 10.0])
    )
    between: tuple[Stage, ...] = random.choice(
        [(), (), (BufferBox(name="buffer box", stage=buffer), cable("cable2")), (pedal, cable("cable2"))]
    )
    if has_active and random.random() < 0.2:
        between = (random_active_stage(random), cable("cable2"))
    valve = ValveInput(
        name="valve",
        stopper=34e3,
        leak=random.choice([None, 1e6]),
        divider=136e3,
        grid_cathode=1.65e-12,
        grid_anode=1.6e-12,
        stage_gain=65.0,
        stray=0.0,
    )
    plain = Input(name="input", resistance=log_uniform(random, 1e4, 1e7), capacitance=random.choice([0.0, 1e-10]))
    return (cable("cable"), *between, random.choice([plain, plain, valve]))


ACTIVE_KINDS = ("amplifier", "transistor stage", "transformer", "cable line", "tone stack")


def random_active_stage(random: Random) -> Stage:
    """Return an amplifier, transistor stage, transformer, line or tone stack of the catalogue."""
    kind = random.choice(ACTIVE_KINDS)
    use = random.choice(catalogue().names(kind))
    return read_stage(kind, "active", Table({"kind": kind, "use": use}, "a stage"))


def _coil(random: Random, facing: str) -> Coil:
    sections = tuple(
        EddySection(fraction=random.uniform(0.02, 0.3), corner_hz=log_uniform(random, 1e3, 2e4))
        for _ in range(random.choice([0, 1, 1, 2]))
    )
    return Coil(
        resistance=log_uniform(random, 1e3, 2e4),
        inductance=log_uniform(random, 0.5, 10),
        capacitance=random.choice([0.0, log_uniform(random, 3e-11, 3e-10)]),
        loss_resistance=random.choice([math.inf, log_uniform(random, 1e5, 3e6)]),
        eddy=sections,
        turns=random.choice([None, float(random.randint(4000, 10000))]),
        facing=facing,  # type: ignore[arg-type]
        wound=random.choice(["clockwise", "counter-clockwise"]),
    )


def _other_value(random: Random, part: Part) -> Part:
    if isinstance(part, Pot):
        taper = parse_taper(random.choice(["linear", "audio 10 %", "reverse audio 20 %"]))
        # The two gangs of a blend belong together: they keep their law.
        kept = part.taper.name.startswith("blend")
        return replace(part, value=log_uniform(random, 5e4, 2e6), taper=part.taper if kept else taper)
    if isinstance(part, FixedCapacitor):
        loss = random.choice([0.0, 0.0, random.uniform(1e-3, 0.05)])
        return replace(part, value=part.value * random.uniform(0.3, 3), loss_tangent=loss)
    if isinstance(part, (FixedResistor, FixedInductor)):
        return replace(part, value=part.value * random.uniform(0.3, 3))
    return part


def _position(random: Random, control: object) -> Position:
    if isinstance(control, Knob):
        return random.choice([0.0, 10.0, random.uniform(0, 10), random.uniform(0, 10)])
    return random.choice(control.positions)  # type: ignore[attr-defined]


def _wants_coils(harness: Harness, slot: str) -> bool | None:
    """True where the wiring reaches single coils of the pickup, None where any pickup will do."""
    reached = [node for node in harness.terminals if node.startswith(f"{slot}.")]
    return True if any(node.partition(".")[2] not in ("hot", "ground") for node in reached) else None
