"""What a batch judged together finds, with faults made by a simulation of their own:

    python -m tests.book.learn.detection_study

writes docs/reference/batch_study.md (six minutes of processor time); what is random stands there. Missing turns,
another gauge and a warm coil go through labkit's full model of the build; shorted turns are a circuit of two coupled
windings here. None of it uses the formulas by which `labkit.book.learn.batch` judges (`labkit.bench.diagnose.faults`).
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from labkit.bench.diagnose.diagnose import diagnose_readings
from labkit.bench.diagnose.readings import LcrValue, Readings, load_plan
from labkit.book.learn.batch import judge_batch
from labkit.book.learn.evidence import HIGH_LOSS, INDUCTANCE, LOSS, RESISTANCE, CoilPlace, Kind, evaluated
from labkit.book.learn.groups import Records, records_of
from labkit.pickup.materials.wire import wire
from labkit.pickup.predict.model import evaluate, nominal
from labkit.pickup.predict.plan import plan_of
from tests.book.learn.shops import KINDS, causes, deviations, drawn, evidence, single_coil

PAGE = Path(__file__).parents[3] / "docs" / "reference" / "batch_study.md"
SEED, BATCHES, SIZE, PAST = 2028, 200, 20, 30

FAULTS = {
    "shorted turns, 1.5 %": "shorted turns",
    "turns −4.5 %": "number of turns",
    "turns −2 %": "number of turns",
    "one gauge thinner": "wrong wire gauge",
    "warm by 5 K": "warm coil",
}
"""What is planted, and the finding that would be right."""

READ = {
    "R": (RESISTANCE,),
    "R, L": (RESISTANCE, INDUCTANCE),
    "R, L, series R at 1 kHz": (RESISTANCE, INDUCTANCE, LOSS),
    "and at 5 kHz": (RESISTANCE, INDUCTANCE, LOSS, HIGH_LOSS),
}

MOVED = {
    "counter, −3 % of turns": ("counter", "turns", -0.03),
    "wire 2 % thicker": ("wire of the spool", "bare diameter", 0.02),
    "bobbin 3 % longer": ("bobbin", "straight length", 0.03),
    "winding 5 % higher": ("bobbin", "winding height", 0.05),
    "permeability 25 % up": ("magnets or steel", "permeability of Alnico 5", 0.25),
    "room 5 K warmer than noted": ("room's temperature", "temperature", 5.0),
    "ohmmeter 2 % high": ("ohmmeter", "ohmmeter", 0.02),
}
"""What moves a whole batch, and the word that would be right."""

MOVED_SIZE, TOLD_READ = 12, (RESISTANCE, INDUCTANCE, LOSS)

SCATTERS = ("as stated", "coils scatter twice as much", "turns scatter three times as much", "heavy tails")


@lru_cache(maxsize=64)
def _shift(name: str, draw: int) -> tuple[float, ...]:
    """By how much a fault moves the readings of `KINDS`, as logarithms; ``draw`` is a coil's own shorted turns."""
    plan = plan_of(single_coil())
    if name.startswith("shorted"):
        return tuple(_shorted(0.015, np.random.default_rng(draw)))
    x = {key: np.array([float(doubt.value)] * 2) for key, doubt in plan.inputs.items()}
    if name.startswith("turns"):
        x["turns"][1] *= 1 + float(name.split()[1].replace("−", "-")) / 100
    elif name.startswith("warm"):
        x["temperature"][1] += 5.0
    else:
        thin = wire("AWG 43 single build")
        x["bare diameter"][1] = thin.bare_nominal
        x["film"][1] = thin.overall_nominal - thin.bare_nominal
    values = evaluated(plan, x, KINDS)
    return tuple(float(values[kind][1] - values[kind][0]) for kind in KINDS)


@dataclass
class Told:
    """Of batches that one cause has moved: whether that was said, and which cause was named."""

    moved: list[bool] = field(default_factory=list)
    first: list[bool] = field(default_factory=list)
    among: list[bool] = field(default_factory=list)
    other: list[bool] = field(default_factory=list)

    def cell(self) -> str:
        return " / ".join(f"{100 * np.mean(each):.0f}" for each in (self.moved, self.first, self.among, self.other))


def told(new_spool: bool, count: int, seed: int) -> dict[str, Told]:
    """Move whole batches after 30 past coils, and see what is said to have done it."""
    where = places(PAST, MOVED_SIZE)
    if not new_spool:
        last = where[PAST - 1]
        where = [*where[:PAST], *(replace(place, spool=last.spool, lot=last.lot) for place in where[PAST:])]
    rng = np.random.default_rng([seed, int(new_spool)])
    away = deviations("as stated", drawn("as stated", where, count, rng))
    plan = plan_of(single_coil())
    found = {name: Told() for name in ("nothing", *MOVED)}
    for rows in away:
        records = records_of(evidence(rows[:PAST], where[:PAST], TOLD_READ))
        for name, result in found.items():
            cause, key, change = MOVED.get(name, ("", "", 0.0))
            shift = np.zeros(len(KINDS))
            if key == "ohmmeter":
                shift[KINDS.index(RESISTANCE)] = change
            elif key:
                x = {each: np.array([float(doubt.value)] * 2) for each, doubt in plan.inputs.items()}
                x[key][1] = x[key][1] + change if key == "temperature" else x[key][1] * (1 + change)
                values = evaluated(plan, x, KINDS)
                shift = np.array([float(values[kind][1] - values[kind][0]) for kind in KINDS])
            verdict = judge_batch(evidence(rows[PAST:] + shift, where[PAST:], TOLD_READ), records)
            result.moved.append(bool(verdict.moved))
            named = [each for each in verdict.shared if result.moved[-1]]
            result.first.append(bool(named) and cause in named[0].causes)
            result.among.append(any(cause in each.causes for each in named))
            result.other.append(bool(named) and named[0].probability > 0.5 and cause not in named[0].causes)
    return found


def _shorted(share: float, rng: np.random.Generator) -> list[float]:
    """A coil of two windings, one closed upon itself: Z = Z₁ − (jωM)²/Z₂ with the coil's capacitance across.

    The closed turns lie anywhere in the bundle: they are shorter or longer than the mean turn by up to 15 %, and
    coupled with the rest by 0.93 to 0.995.
    """
    plan = plan_of(single_coil())
    frequency = np.array([1e3, 5e3])
    results = {name: float(value[0]) for name, value in nominal(plan).results.items()}
    lost = nominal(plan, frequency).lost["main"]
    length, coupling = rng.uniform(0.85, 1.15), rng.uniform(0.93, 0.995)
    resistance, capacitance = results["total resistance"], results["total capacitance"]
    inductance = results["total inductance"] - lost
    omega = 2 * math.pi * frequency

    def read(part: float) -> tuple[np.ndarray, float]:
        left = resistance * (1 - part * length)
        z = left + 1j * omega * inductance * (1 - part) ** 2
        if part:
            closed = resistance * part * length + 1j * omega * inductance * part**2
            z = z + (omega * coupling * inductance * part * (1 - part)) ** 2 / closed
        return z / (1 + 1j * omega * capacitance * z), left

    (good, r_good), (bad, r_bad) = read(0.0), read(share)
    found = dict.fromkeys(KINDS, 0.0)
    found[RESISTANCE] = math.log(r_bad / r_good)
    found[INDUCTANCE] = math.log(bad[0].imag / good[0].imag)
    found[LOSS], found[HIGH_LOSS] = (math.log(bad[i].real / good[i].real) for i in (0, 1))
    return [found[kind] for kind in KINDS]


@dataclass
class Count:
    """Of one fault and one set of readings: flagged, flagged with the right cause first, sent back, of how many."""

    flagged: list[bool] = field(default_factory=list)
    right: list[bool] = field(default_factory=list)
    again: list[bool] = field(default_factory=list)

    def cell(self) -> str:
        flagged, right, again = (100 * float(np.mean(each)) for each in (self.flagged, self.right, self.again))
        return f"{flagged:.0f} / {right:.0f} / {again:.0f}"


def places(past: int, size: int) -> list[CoilPlace]:
    """Return where past coils and then those of a batch of a new spool were wound."""
    return [
        CoilPlace(spool=f"spool {i // 10}", lot=f"lot {i // 14}", session=f"session {i // 5}", months=i * 0.6)
        if i < past
        else CoilPlace(spool="new", lot="new", session="today", months=past * 0.6)
        for i in range(past + size)
    ]


def batches(scatter: str, past: int, size: int, count: int, seed: int) -> np.ndarray:
    """Return readings of good coils about the plan, shape (count, past + size, kinds)."""
    rng = np.random.default_rng([seed, SCATTERS.index(scatter), past])
    known = scatter if scatter in ("as stated", "coils scatter twice as much", "heavy tails") else "as stated"
    where = places(past, size)
    z = drawn(known, where, count, rng)
    if scatter.startswith("turns"):  # of each coil's own turns: the share of a coil is 0.2
        z[:, :, causes().names.index("turns")] += math.sqrt(8 * 0.2) * rng.normal(size=z.shape[:2])
    return deviations(known, z)


def counts(scatter: str, kinds: tuple[Kind, ...], past: int, count: int, seed: int) -> dict[str, Count]:
    """Judge batches of 20 with one fault, and with none; "good" holds the false alarms of all good coils."""
    away = batches(scatter, past, SIZE, count, seed)
    where = places(past, SIZE)
    found: dict[str, Count] = {"good": Count(), **{name: Count() for name in FAULTS}}
    for number, rows in enumerate(away):
        records = records_of(evidence(rows[:past], where[:past], kinds)) if past else Records()
        for name, cause in [("good", ""), *FAULTS.items()]:
            bad = rows[past:].copy()
            if cause:
                bad[0] += _shift(name, number if name.startswith("shorted") else 0)
            verdict = judge_batch(evidence(bad, where[past:], kinds), records)
            for coil in verdict.coils if not cause else verdict.coils[:1]:
                flagged = coil.tier == "fault"
                found[name].flagged.append(flagged)
                found[name].right.append(flagged and coil.causes[0][0] == cause)
                found[name].again.append(coil.tier != "good")
    return found


def single(kinds: tuple[Kind, ...], count: int, seed: int) -> dict[str, Count]:
    """The same coils one at a time, as `labkit diagnose` judges them against the plan."""
    plan = load_plan("narrow single coil, built")
    away = batches("as stated", 0, 1, count, seed)
    found: dict[str, Count] = {"good": Count(), **{name: Count() for name in FAULTS}}
    for number, rows in enumerate(away):
        for name, cause in [("good", ""), *FAULTS.items()]:
            bad = rows + (np.array(_shift(name, number if name.startswith("shorted") else 0)) if cause else 0.0)
            coil = evidence(bad, places(0, 1), kinds)[0]
            lcr = [
                LcrValue(frequency_hz=hz, inductance=inductance, resistance=coil.readings.get(loss), accuracy=accuracy)
                for hz, inductance, loss, accuracy in (
                    (1e3, coil.readings.get(INDUCTANCE), LOSS, 0.01),
                    (5e3, _inductance_at_5_khz(coil.readings.get(INDUCTANCE)), HIGH_LOSS, 0.02),
                )
                if inductance is not None and (hz < 2e3 or loss in coil.readings)
            ]
            readings = Readings(name="coil", temperature_c=20.0, resistance=coil.readings[RESISTANCE], lcr=tuple(lcr))
            verdict = diagnose_readings(plan, readings)
            flagged = not verdict.passes
            found[name].flagged.append(flagged)
            found[name].right.append(flagged and bool(verdict.findings) and verdict.findings[0].cause == cause)
            found[name].again.append(flagged)
    return found


def _inductance_at_5_khz(at_1_khz: float | None) -> float | None:
    if at_1_khz is None:
        return None
    plan = plan_of(single_coil())
    results = evaluate(plan, {key: np.array([float(doubt.value)]) for key, doubt in plan.inputs.items()}).results
    product = float(results["total capacitance"][0]) * at_1_khz
    return at_1_khz * (1 - (2e3 * math.pi) ** 2 * product) / (1 - (1e4 * math.pi) ** 2 * product)


def page(count: int, seed: int) -> str:
    """Run everything and return the page."""
    lines = [
        "# What a batch judged together finds",
        "",
        f"Generated by `python -m tests.book.learn.detection_study` (seed {seed}, {count} batches of {SIZE} coils a "
        "row): one coil of each has the fault, all are of a spool that the book has not seen. The faults come from a "
        "simulation of their own: missing turns, another gauge and a warm coil from the full model of the build, "
        "shorted turns from a circuit of two coupled windings whose place in the bundle is drawn. In percent: "
        "*flagged* (probability of good below 0.5) / flagged *with the right cause first* / flagged or sent back to be "
        "read again (below 0.9). The last column is for the good coils of batches without a fault.",
        "",
        "How it is done stands in [the workshop's own records](../explanation/learning.md). No real workshop's records "
        "were used.",
    ]
    head = ["", "| readings | " + " | ".join(FAULTS) + " | false alarms |", "|---|" + "---|" * (len(FAULTS) + 1)]

    def row(words: str, found: dict[str, Count]) -> str:
        good = found["good"]
        alarms = f"{100 * np.mean(good.flagged):.2f} / {100 * np.mean(good.again):.1f}"
        return f"| {words} | {' | '.join(found[name].cell() for name in FAULTS)} | {alarms} |"

    lines += ["", "## One coil at a time, against the plan (`labkit diagnose`)", *head]
    lines += [row(words, single(kinds, count, seed)) for words, kinds in READ.items()]
    for scatter in SCATTERS:
        lines += ["", f"## A first batch, {scatter}", *head]
        lines += [row(words, counts(scatter, kinds, 0, count, seed)) for words, kinds in READ.items()]
    for scatter in SCATTERS[:2]:
        lines += ["", f"## A batch after {PAST} past coils, {scatter}", *head]
        lines += [row(words, counts(scatter, kinds, PAST, count // 4, seed)) for words, kinds in READ.items()]
    lines += [
        "",
        "## What has moved a whole batch",
        "",
        f"{count // 2} batches of {MOVED_SIZE} coils a cell after {PAST} past ones, R, L and series R at 1 kHz "
        "read, scatter as stated. In percent: said to read otherwise than expected / *the right cause first* "
        "/ the right cause among those named / another cause first with more than one half. Causes that move "
        "the readings alike are named together and count as named. On a spool that the book does not know, "
        "the spool itself may have done most of it, and the first name is often wrong: the page gives it as "
        "one of several, with its probability and what would tell.",
        "",
        "| what was moved | a spool the book knows | a spool new to it |",
        "|---|---|---|",
    ]
    known, new = (told(new_spool, count // 2, seed) for new_spool in (False, True))
    lines += [f"| {name} | {known[name].cell()} | {new[name].cell()} |" for name in known]
    lines += [
        "",
        f"After {PAST} past coils {count // 4} batches a row are judged. Two faults in one coil, and a whole batch of "
        "wrong wire or magnets, are not simulated.",
    ]
    return "\n".join(lines) + "\n"


def main(count: int = BATCHES) -> None:
    """Run the study and write its page."""
    PAGE.write_text(page(count, SEED), encoding="utf-8")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
