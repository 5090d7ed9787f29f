"""Makes the demo book: what the winding room at Saltmarsh Lane wound in a year, invented, from the model itself.

    python -m docs.tools.demo_book

Sixty coils of two designs on four reels, drawn from the inputs of their builds: what the room does alike, what a reel
is, and what each coil scatters by, run through the real forward model and read with a meter's digits. Two things go
wrong: the counter of the right machine wears from the eighth batch on, and the fifth batch was read warm although the
room was said to be at 22 °C.
"""

from __future__ import annotations

import hashlib
import math
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from labkit.book.exchange import book_texts
from labkit.book.records import (
    BobbinKind,
    Calibration,
    CoilReading,
    Design,
    Machine,
    MagnetLot,
    Meter,
    Note,
    Session,
    Spool,
    WireReading,
    WoundCoil,
)
from labkit.book.store import Book, new_book, read_design
from labkit.catalogue import find_sheet
from labkit.core.files import DEMO_BOOK
from labkit.pickup.materials.wire import copper_resistivity
from labkit.pickup.network import LOAD_CAPACITANCE, LOAD_RESISTANCE
from labkit.pickup.predict.bench import planned_field
from labkit.pickup.predict.model import evaluate
from labkit.pickup.predict.plan import BuildPlan, plan_of

SEED = 20
NAME = "winding room at Saltmarsh Lane"
COILS_OF_A_BATCH = 6
FIRST_SERIAL = 101

WORN_FROM, WORN_BY = 7, 0.004
"""Batch (from 0) from which the right machine's counter counts too much, and by how much more with every coil."""

FIELD_POLE = 3

WARM_BATCH, WARM_KELVIN = 4, 7.0
"""The batch (from 0) that was read on the sunny bench, and how much warmer than the room."""

SHARED = {
    "room": {"packing": 0.75, "layer factor": 0.9, "model of rod magnets": 0.5, "model of the peak": 0.5,
             "model of the peak's height": 0.5, "end radius": 0.9, "straight length": 0.9, "winding height": 0.75},
    "reel": {"bare diameter": 1.0, "film": 1.0, "copper resistivity": 1.0, "packing": 0.1},
    "lot": {"permeability of Alnico 5": 1.0, "resistivity of Alnico 5": 1.0, "pole diameter": 0.8, "pole length": 0.8},
    "machine": {"stretch": 0.7},
    "coil": {"turns": 0.03, "packing": 0.15, "stretch": 0.3, "layer factor": 0.1, "winding height": 0.25,
             "end radius": 0.1, "straight length": 0.1, "pole diameter": 0.2, "pole length": 0.2, "lead": 1.0},
}  # fmt: skip
"""Share of each input's variance that is alike in the room, on a reel, in a lot, on a machine and in one coil
(assumption); of the turns only what a good counter leaves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoBatch:
    """A batch of the year."""

    day: str
    design: str
    reel: str
    machine: str
    celsius: float
    who: str


BATCHES = tuple(
    DemoBatch(day=day, design=design, reel=reel, machine=machine, celsius=celsius, who=who)
    for day, design, reel, machine, celsius, who in (
        ("2025-10-14", "neck", "reel 11", "left machine", 20.0, "M"),
        ("2025-10-28", "middle", "reel 11", "right machine", 20.5, "T"),
        ("2025-11-18", "neck", "reel 12", "left machine", 19.5, "M"),
        ("2025-12-09", "middle", "reel 12", "right machine", 19.0, "T"),
        ("2026-02-03", "neck", "reel 12", "left machine", 22.0, "M"),
        ("2026-03-10", "middle", "reel 13", "right machine", 20.0, "T"),
        ("2026-04-14", "neck", "reel 13", "left machine", 21.0, "M"),
        ("2026-05-19", "middle", "reel 13", "right machine", 21.5, "T"),
        ("2026-06-16", "neck", "reel 14", "left machine", 23.0, "M"),
        ("2026-07-14", "middle", "reel 14", "right machine", 23.5, "T"),
    )
)


def uid(*words: object) -> str:
    """Return a name that is the same whenever the book is made."""
    return hashlib.sha256(" ".join(map(str, ("saltmarsh", *words))).encode()).hexdigest()[:16]


def generate() -> dict[Path, str]:
    """Return every file of the demo book with its text."""
    with tempfile.TemporaryDirectory() as folder, new_book(Path(folder) / "demo.book") as book:
        _fill(book)
        return {DEMO_BOOK / name: text for name, text in book_texts(book).items()}


def _sheet(name: str) -> str:
    data = dict(find_sheet("narrow single coil, built", "pickup").data)
    coil = dict(data["coil"]["main"])
    if name == "middle":
        coil |= {"wound": "counter-clockwise", "poles": {**coil["poles"], "facing": "south"}}
    data |= {
        "name": f"Saltmarsh Lane, {name}",
        "summary": f"The {name} coil of the winding room's set of narrow single coils.",
        "coil": {"main": coil},
    }
    return tomli_w.dumps(data)


def _fill(book: Book) -> None:
    random = np.random.default_rng(SEED)
    book.rename(uid("book"), NAME, "2025-10-01T09:00:00+00:00")
    at = {"entered_at": "2025-10-01T09:00:00+00:00"}
    ohms, bridge, sweep, field = (
        Meter(uid=uid(label), **at, label=label, kind=kind, unit=unit, accuracy=accuracy)  # type: ignore[arg-type]
        for label, kind, unit, accuracy in (
            ("bench ohmmeter", "ohms", "kΩ", 0.005),
            ("LCR bridge", "lcr", "", 0.02),
            ("sweep and load box", "sweep", "", 0.004),
            ("gaussmeter", "field", "mT", 0.05),
        )
    )
    book.add(ohms, bridge, sweep, field)
    check = {"uid": uid("check"), "done_at": "2025-10-02", "piece": "1 kΩ resistor, 0.01 %", "known": 1e3}
    book.add(Calibration(**at, meter=ohms.uid, known_deviation=0.05, shown=1000.8, shown_deviation=0.05, **check))
    machines = {label: Machine(uid=uid(label), **at, label=label) for label in ("left machine", "right machine")}
    lots = {
        label: MagnetLot(uid=uid(label), **at, label=label, grade="Alnico 5", count=200) for label in ("lot 5", "lot 6")
    }
    bobbin = BobbinKind(uid=uid("bobbin"), **at, label="narrow, fibre")
    book.add(*machines.values(), *lots.values(), bobbin)
    designs: dict[str, Design] = {}
    for name in ("neck", "middle"):
        text = _sheet(name)
        made = Design(
            uid=uid("design", name),
            entered_at=at["entered_at"],
            name=f"Saltmarsh Lane, {name}",
            version=1,
            sheet=text,
            sha256=hashlib.sha256(text.encode()).hexdigest(),
        )
        designs[name] = made
        book.add(made)
    built = read_design(designs["neck"].sheet)
    plan = plan_of(built.build)
    planned = planned_field(built, gap=0.0, pole=str(FIELD_POLE))
    assert planned is not None
    strength = planned.value
    drawn: dict[str, dict[str, float]] = {}

    def offsets(level: str, name: str) -> dict[str, float]:
        key = f"{level} {name}"
        if key not in drawn or level == "coil":
            drawn[key] = {part: math.sqrt(share) * random.normal() for part, share in SHARED[level].items()}
        return drawn[key]

    serial = FIRST_SERIAL
    worn = 0
    for number, batch in enumerate(BATCHES):
        when = {"entered_at": f"{batch.day}T15:00:00+00:00"}
        if not book.records(Spool, "label = ?", [batch.reel]):
            _open_reel(book, batch, offsets("reel", batch.reel), plan, ohms)
        session = Session(
            uid=uid("session", number),
            **when,
            started_at=f"{batch.day}T14:30",
            label=f"batch {number + 1}",
            celsius=batch.celsius,
            celsius_deviation=1.0,
        )
        book.add(session)
        lot = lots["lot 5" if number < 5 else "lot 6"]
        for place in range(COILS_OF_A_BATCH):
            parts = [
                offsets("room", ""),
                offsets("reel", batch.reel),
                offsets("lot", lot.label),
                offsets("machine", batch.machine),
                offsets("coil", str(serial)),
            ]
            celsius = batch.celsius + random.normal() * 0.3 + (WARM_KELVIN if number == WARM_BATCH else 0.0)
            slip = 0.0
            if number >= WORN_FROM and batch.machine == "right machine":
                worn += 1
                slip = worn * WORN_BY
            read = _readings(plan, parts, celsius, slip, strength, random)
            coil = WoundCoil(
                uid=uid("coil", serial),
                **when,
                serial=f"{serial:04d}",
                design=designs[batch.design].uid,
                wound_at=batch.day,
                spool=uid(batch.reel),
                lot=lot.uid,
                machine=machines[batch.machine].uid,
                bobbin=bobbin.uid,
                who=batch.who,
                turns_counted=8000.0,
            )
            book.add(coil)
            taken = {"ohms": ohms, "henries": bridge, "loss": bridge}
            if place in (0, 3):
                taken |= {"peak": sweep, "height": sweep, "field": field}
            for name, meter in taken.items():
                quantity, text, value, unit, extra = read[name]
                book.add(
                    CoilReading(
                        uid=uid("reading", serial, name),
                        **when,
                        coil=coil.uid,
                        session=session.uid,
                        meter=meter.uid,
                        quantity=quantity,
                        value=value,
                        unit=unit,
                        text_as_typed=text,
                        **extra,
                    )
                )
            serial += 1
    _margin(book)


def _open_reel(book: Book, batch: DemoBatch, reel: dict[str, float], plan: BuildPlan, ohms: Meter) -> None:
    when = {"entered_at": f"{batch.day}T09:00:00+00:00"}
    book.add(
        Spool(
            uid=uid(batch.reel),
            **when,
            label=batch.reel,
            wire="AWG 42 single build",
            maker="first mill" if batch.reel != "reel 14" else "second mill",
            length_m=20_000.0,
            length_deviation=200.0,
            opened_on=batch.day,
        )
    )
    if batch.reel not in ("reel 13", "reel 14"):
        return
    bare = plan.inputs["bare diameter"].value + reel["bare diameter"] * plan.inputs["bare diameter"].deviation
    at_20 = plan.inputs["copper resistivity"].value * math.exp(
        reel["copper resistivity"] * plan.inputs["copper resistivity"].deviation
    )
    warm = float(copper_resistivity(temperature_c=batch.celsius) / copper_resistivity(temperature_c=20.0))
    text = f"{10 * 4 * at_20 * warm / (math.pi * bare**2):.2f} Ω"
    book.add(
        WireReading(
            uid=uid(batch.reel, "ten metres"),
            **when,
            spool=uid(batch.reel),
            read_at=batch.day,
            length_m=10.0,
            length_deviation=0.005,
            resistance=float(text.removesuffix(" Ω")),
            text_as_typed=text,
            celsius=batch.celsius,
            celsius_deviation=0.5,
            meter=ohms.uid,
        )
    )


Typed = tuple[str, str, float, str, dict[str, Any]]


def _readings(
    plan: BuildPlan,
    parts: list[dict[str, float]],
    celsius: float,
    slip: float,
    field: float,
    random: np.random.Generator,
) -> dict[str, Typed]:
    """What meters show of one coil: the model at its true inputs, with what reading again scatters by."""
    steps = {name: sum(part.get(name, 0.0) for part in parts) for name in plan.inputs}
    x = {}
    for name, doubt in plan.inputs.items():
        moved = doubt.deviation * steps[name]
        x[name] = np.array([doubt.value * math.exp(moved) if doubt.scale == "log" else doubt.value + moved])
    x["turns"] = x["turns"] * (1 - slip)
    x["temperature"] = np.array([celsius])
    found = {name: float(value[0]) for name, value in evaluate(plan, x).results.items()}
    omega = 2 * math.pi * 1000.0
    resistance, inductance, capacitance = (
        found[f"total {name}"] for name in ("resistance", "inductance", "capacitance")
    )
    pull = 1 - omega**2 * inductance * capacitance  # the coil's own capacitance raises what an LCR meter shows
    shown = {
        "ohms": resistance * math.exp(0.001 * random.normal()),
        "henries": inductance / pull * math.exp(0.003 * random.normal()),
        "loss": (resistance + found["loss 1000"]) / pull**2 * math.exp(0.005 * random.normal()),
        "peak": found["loaded resonance"] * math.exp(0.003 * random.normal()),
        "height": 20 * math.log10(found["loaded height"]) + 0.1 * random.normal(),
        "field": field * math.exp(0.02 * random.normal()),
    }
    lcr = {"hz": 1000.0, "model": "series"}
    load = {"load_ohm": LOAD_RESISTANCE, "load_farad": LOAD_CAPACITANCE}
    texts = {
        "ohms": f"{shown['ohms'] / 1e3:.3f}",
        "henries": f"{shown['henries']:.3f}",
        "loss": f"{shown['loss']:.0f}",
        "peak": f"{round(shown['peak'], -1):.0f}",
        "height": f"{shown['height']:.1f}",
        "field": f"{shown['field'] * 1e3:.0f}",
    }
    return {
        "ohms": ("resistance", texts["ohms"], float(f"{texts['ohms']}e3"), "Ω", {}),
        "henries": ("inductance", texts["henries"], float(texts["henries"]), "H", lcr),
        "loss": ("loss_resistance", texts["loss"], float(texts["loss"]), "Ω", {**lcr}),
        "peak": ("peak", texts["peak"], float(texts["peak"]), "Hz", load),
        "height": ("height", texts["height"], float(texts["height"]), "dB", load),
        "field": ("field", texts["field"], float(f"{texts['field']}e-3"), "T", {"gap_m": 0.0, "pole": FIELD_POLE}),
    }


def _margin(book: Book) -> None:
    """What people write beside: a slip of the clip that was crossed out, and two notes; none tells what is wrong."""
    first = book.coil("0107")
    session = book.records(Session)[1]
    book.add(
        CoilReading(
            uid=uid("slip"),
            entered_at="2025-10-28T15:01:00+00:00",
            coil=first.uid,
            session=session.uid,
            meter=uid("bench ohmmeter"),
            quantity="resistance",
            value=5210.0,
            unit="Ω",
            text_as_typed="5.210",
            repeat_no=2,
            void_reason="the clip had slipped",
        ),
        Note(
            uid=uid("note", 1),
            entered_at="2026-02-03T16:00:00+00:00",
            about=uid("session", WARM_BATCH),
            text="Sun on the bench after lunch.",
        ),
        Note(
            uid=uid("note", 2),
            entered_at="2026-05-19T16:00:00+00:00",
            about=uid("right machine"),
            text="The counter was hard to reset.",
        ),
    )


def main() -> None:
    """Write the demo book."""
    DEMO_BOOK.mkdir(exist_ok=True)
    for path, text in generate().items():
        path.write_text(text, encoding="utf-8", newline="")


if __name__ == "__main__":
    main()
