"""Ten circuits with active parts behind a coil, for the solver, its noise, its poles and the exported deck."""

from __future__ import annotations

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Capacitor,
    Circuit,
    ControlledCurrent,
    ControlledVoltage,
    Coupling,
    Element,
    Inductor,
    InputNoise,
    Resistor,
    Source,
)


def coil() -> tuple[Element, ...]:
    """A pickup with its cable and a volume control, at node ``hot``."""
    return (
        Source(name="emf", nodes=("a", GROUND)),
        Resistor(name="wire", nodes=("a", "b"), resistance=6e3),
        Inductor(name="inductance", nodes=("b", "hot"), inductance=2.4),
        Capacitor(name="cable", nodes=("hot", GROUND), capacitance=6e-10),
        Resistor(name="pot", nodes=("hot", GROUND), resistance=250e3),
    )


def amplifier(plus: str, minus: str, output: str, *, name: str = "amplifier") -> tuple[Element, ...]:
    """An operational amplifier of 3 MHz with its input impedance and noise."""
    return (
        ControlledVoltage(
            name=name, nodes=(output, GROUND, plus, minus), gain=1e5, corner_hz=30.0, output_resistance=120.0
        ),
        Resistor(name=f"{name}.input", nodes=(plus, minus), resistance=3e5, is_noisy=False),
        Capacitor(name=f"{name}.between", nodes=(plus, minus), capacitance=5e-12),
        InputNoise(name=f"{name}.noise", nodes=(minus, GROUND), reader=name, voltage=5e-9, current=7e-13),
    )


def resistor(name: str, one: str, other: str, ohms: float) -> Resistor:
    return Resistor(name=name, nodes=(one, other), resistance=ohms)


def capacitor(name: str, one: str, other: str, farads: float) -> Capacitor:
    return Capacitor(name=name, nodes=(one, other), capacitance=farads)


def transistor(name: str, drain: str, gate: str, source: str) -> tuple[Element, ...]:
    """A field-effect transistor by its small-signal values."""
    return (
        ControlledCurrent(name=name, nodes=(drain, source, gate, source), transconductance=1.5e-3),
        Resistor(name=f"{name}.r_ds", nodes=(drain, source), resistance=60e3, is_noisy=False),
        capacitor(f"{name}.c_gs", gate, source, 5e-12),
        capacitor(f"{name}.c_gd", gate, drain, 2e-12),
        InputNoise(name=f"{name}.noise", nodes=(gate, GROUND), reader=name, voltage=4e-9, current=1e-14),
    )


ACTIVE: dict[str, Circuit] = {
    name: Circuit(name=name, output="out", elements=(*coil(), *parts))
    for name, parts in {
        "gain of eleven": (
            *amplifier("hot", "fed back", "out"),
            resistor("feedback", "out", "fed back", 10e3),
            resistor("to ground", "fed back", GROUND, 1e3),
        ),
        "voltage follower": (*amplifier("hot", "out", "out"), resistor("load", "out", GROUND, 2e3)),
        "inverting stage that loads the pickup": (
            resistor("series", "hot", "summing", 10e3),
            *amplifier(GROUND, "summing", "out"),
            resistor("feedback", "summing", "out", 100e3),
            capacitor("rolling off", "summing", "out", 1e-10),
        ),
        "treble shelf": (
            *amplifier("hot", "fed back", "out"),
            resistor("feedback", "out", "fed back", 22e3),
            resistor("to ground", "fed back", "shelf", 6.8e3),
            capacitor("turning", "shelf", GROUND, 1e-8),
            resistor("flat", "fed back", GROUND, 220e3),
        ),
        "second-order low-pass with a peak": (
            resistor("first", "hot", "between", 100e3),
            resistor("second", "between", "into", 100e3),
            capacitor("positive feedback", "between", "out", 1e-9),
            capacitor("across", "into", GROUND, 1e-10),
            *amplifier("into", "out", "out"),
        ),
        "transistor follower": (
            *transistor("q", GROUND, "hot", "source"),
            resistor("source resistor", "source", GROUND, 10e3),
            capacitor("coupling", "source", "out", 1e-6),
            resistor("load", "out", GROUND, 100e3),
        ),
        "common source": (
            *transistor("q", "drain", "hot", "source"),
            resistor("source resistor", "source", GROUND, 2.2e3),
            capacitor("bypass", "source", GROUND, 1e-5),
            resistor("drain resistor", "drain", GROUND, 10e3),
            capacitor("coupling", "drain", "out", 1e-7),
            resistor("load", "out", GROUND, 1e6),
        ),
        "two stages in a row": (
            *amplifier("hot", "fed back", "middle", name="first"),
            resistor("feedback", "middle", "fed back", 4.7e3),
            resistor("to ground", "fed back", GROUND, 4.7e3),
            resistor("into", "middle", "summing", 10e3),
            *amplifier(GROUND, "summing", "out", name="second"),
            resistor("around", "summing", "out", 22e3),
        ),
        "buffer before a transformer": (
            Buffer(name="buffer", nodes=("hot", "line"), gain=0.98, output_resistance=600.0),
            InputNoise(name="buffer.noise", nodes=("hot", GROUND), reader="buffer", voltage=1.8e-8, current=1e-14),
            resistor("primary wire", "line", "winding", 40.0),
            Inductor(name="primary", nodes=("winding", GROUND), inductance=3.0),
            Inductor(name="secondary", nodes=("end", GROUND), inductance=0.75),
            Coupling(name="core", inductors=("primary", "secondary"), coefficient=0.9995),
            resistor("secondary wire", "end", "out", 12.0),
            resistor("load", "out", GROUND, 10e3),
        ),
        "current fed back to the pickup": (
            ControlledCurrent(name="feeding", nodes=(GROUND, "hot", "out", GROUND), transconductance=2e-6),
            *amplifier("hot", "out", "out"),
            InputNoise(name="input", nodes=("out", GROUND), voltage=3e-8),
        ),
    }.items()
}
