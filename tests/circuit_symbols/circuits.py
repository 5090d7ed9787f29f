"""Circuits of the size and shape of instruments, for the tests of formulas."""

from __future__ import annotations

import math

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Capacitor,
    Circuit,
    Contact,
    Coupling,
    Element,
    Inductor,
    Resistor,
    Source,
)


def coil(
    prefix: str, hot: str, cold: str = GROUND, *, weight: float = 1.0, scale: float = 1.0, eddy: bool = False
) -> tuple[Element, ...]:
    """A coil between two nodes, on demand with one eddy section."""
    inner = f"{prefix}.core" if eddy else hot
    parts: list[Element] = [
        Source(name=f"{prefix}.emf", nodes=(f"{prefix}.1", cold), voltage=weight),
        Resistor(name=f"{prefix}.resistance", nodes=(f"{prefix}.1", f"{prefix}.2"), resistance=6e3 * scale),
        Inductor(name=f"{prefix}.inductance", nodes=(f"{prefix}.2", inner), inductance=2.2 * scale),
        Capacitor(name=f"{prefix}.capacitance", nodes=(hot, cold), capacitance=110e-12),
    ]
    if eddy:
        parts += [
            Inductor(name=f"{prefix}.eddy inductance", nodes=(inner, hot), inductance=0.24 * scale),
            Resistor(name=f"{prefix}.eddy resistance", nodes=(inner, hot), resistance=9e3 * scale),
        ]
    return tuple(parts)


def pot(name: str, top: str, wiper: str, bottom: str, *, value: float, turned: float) -> tuple[Element, ...]:
    """A pot, ``turned`` from 0 (wiper at the bottom) to 1 (at the top); ends are exact shorts."""
    return (
        Resistor(name=f"{name}.upper", nodes=(top, wiper), resistance=value * (1 - turned)),
        Resistor(name=f"{name}.lower", nodes=(wiper, bottom), resistance=value * turned),
    )


def tone(top: str, *, turned: float) -> tuple[Element, ...]:
    """A tone control to ground."""
    return (
        Resistor(name="tone", nodes=(top, "tone node"), resistance=250e3 * turned),
        Capacitor(name="tone capacitor", nodes=("tone node", GROUND), capacitance=22e-9),
    )


def load(node: str = "tip") -> tuple[Element, ...]:
    """Cable and input."""
    return (
        Capacitor(name="cable", nodes=(node, GROUND), capacitance=500e-12),
        Resistor(name="input.resistance", nodes=(node, GROUND), resistance=1e6),
        Capacitor(name="input.capacitance", nodes=(node, GROUND), capacitance=100e-12),
    )


def one_pickup(*, volume: float = 0.5, tone_turned: float = 0.7, eddy: bool = False) -> Circuit:
    """One volume, one tone."""
    return Circuit(
        name="one pickup",
        output="tip",
        elements=(
            *coil("bridge", "hot", eddy=eddy),
            *pot("volume", "hot", "tip", GROUND, value=250e3, turned=volume),
            *tone("hot", turned=tone_turned),
            *load(),
        ),
    )


def bled() -> Circuit:
    """With a capacitor and a resistor in series from volume input to wiper."""
    base = one_pickup(volume=0.3)
    bleed = (
        Capacitor(name="bleed capacitor", nodes=("hot", "bleed"), capacitance=1.2e-9),
        Resistor(name="bleed resistor", nodes=("bleed", "tip"), resistance=130e3),
    )
    return Circuit(name="treble bleed", output="tip", elements=(*base.elements, *bleed))


def covered() -> Circuit:
    """A cover as a shorted turn that only magnetism reaches."""
    cover = (
        Inductor(name="cover.inductance", nodes=("cover.1", "cover.2"), inductance=1e-3),
        Resistor(name="cover.resistance", nodes=("cover.2", "cover.1"), resistance=60.0),
        Coupling(name="cover.coupling", inductors=("bridge.inductance", "cover.inductance"), coefficient=0.35),
    )
    return Circuit(name="cover loop", output="tip", elements=(*one_pickup(volume=1.0).elements, *cover))


def two_coils(*, sign: float = 1.0) -> Circuit:
    """Two coupled coils in series, the upper one floating."""
    return Circuit(
        name="two coils in series",
        output="tip",
        elements=(
            *coil("screw", "hot", "middle", weight=0.5),
            *coil("slug", "middle", weight=0.5 * sign, scale=1.1),
            Coupling(name="coupling", inductors=("screw.inductance", "slug.inductance"), coefficient=0.1),
            *pot("volume", "hot", "tip", GROUND, value=500e3, turned=0.8),
            *load(),
        ),
    )


def two_pickups() -> Circuit:
    """Two pickups with their own volumes onto one output and a common tone."""
    return Circuit(
        name="two pickups",
        output="tip",
        elements=(
            *coil("bridge", "bridge.hot", eddy=True),
            *coil("neck", "neck.hot", weight=-1.0, scale=0.8),
            *pot("bridge volume", "bridge.hot", "bus", GROUND, value=500e3, turned=0.6),
            *pot("neck volume", "neck.hot", "bus", GROUND, value=500e3, turned=0.9),
            *tone("bus", turned=0.4),
            Contact(name="selector", nodes=("bus", "tip"), closed=True),
            *load(),
        ),
    )


def half_out_of_phase() -> Circuit:
    """A reversed pickup through a capacitor, with a weight that is no simple fraction."""
    return Circuit(
        name="half out of phase",
        output="tip",
        elements=(
            *coil("bridge", "tip", weight=1.0),
            *coil("neck", "neck.hot", weight=-0.123456789),
            Capacitor(name="cancelling", nodes=("neck.hot", "tip"), capacitance=22e-9),
            *load(),
        ),
    )


def notch() -> Circuit:
    """Tone through an inductor."""
    return Circuit(
        name="inductor notch",
        output="tip",
        elements=(
            *coil("bridge", "tip"),
            Resistor(name="notch resistance", nodes=("tip", "n1"), resistance=5e3),
            Inductor(name="notch inductance", nodes=("n1", "n2"), inductance=1.8),
            Capacitor(name="notch capacitor", nodes=("n2", GROUND), capacitance=10e-9),
            *load(),
        ),
    )


def buffered(output_resistance: float) -> Circuit:
    """A buffer before the volume."""
    return Circuit(
        name=f"buffer of {output_resistance:g} ohm",
        output="tip",
        elements=(
            *coil("bridge", "hot"),
            Resistor(name="buffer input", nodes=("hot", GROUND), resistance=2.2e6),
            Buffer(name="buffer", nodes=("hot", "after"), gain=1.7, output_resistance=output_resistance),
            *pot("volume", "after", "tip", GROUND, value=25e3, turned=0.4),
            *load(),
        ),
    )


def ends() -> Circuit:
    """Wipers at both ends, an open part, contacts twice, a dead pickup."""
    return Circuit(
        name="shorts and opens",
        output="jack",
        elements=(
            *coil("bridge", "hot"),
            *coil("neck", "neck.hot"),
            Contact(name="one", nodes=("hot", "bus"), closed=True),
            Contact(name="two", nodes=("hot", "bus"), closed=True),
            Contact(name="off", nodes=("neck.hot", "bus"), closed=False),
            *pot("volume", "bus", "tip", GROUND, value=250e3, turned=1.0),
            *tone("bus", turned=0.0),
            Resistor(name="absent", nodes=("tip", GROUND), resistance=math.inf),
            Resistor(name="lead", nodes=("tip", "jack"), resistance=3.0),
            *load("jack"),
        ),
    )


ALL = (
    one_pickup(),
    one_pickup(volume=1.0, tone_turned=0.0, eddy=True),
    bled(),
    covered(),
    two_coils(),
    two_coils(sign=-1.0),
    two_pickups(),
    half_out_of_phase(),
    notch(),
    buffered(0.0),
    buffered(470.0),
    ends(),
)
