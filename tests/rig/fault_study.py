"""Inject single faults into wirings, read them as a technician does, and see how often the lab names them.

``python -m tests.rig.fault_study`` writes the table of the reference. Parts of each instrument deviate at random inside
their tolerance, half a turn is made by eye, and the meter errs by half a per cent.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.rig.devices.faults import FaultFinder, Observation
from labkit.rig.devices.meter import OPEN_OHM, jack_reading
from labkit.rig.devices.plan import harness_as_soldered, solder_plan
from labkit.rig.devices.single_faults import SolderFault
from labkit.rig.parts.parts import FixedResistor, Knob, Part, Pot
from labkit.rig.rewiring import demo_rig
from labkit.rig.rig import Rig
from tests.rig.unseen_wirings import NAMES, unseen

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "fault_study.md"
SEED = 20265
COUNT = 200
FIRST = 3
ELECTRONICS = "electronics stand at the jack"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A fault that was put in, and where it was found; places are counted from 1.

    Attributes
    ----------
    by_meter : int
        Its place among the causes with the meter at the jack alone.
    by_ear : int
        With what is heard and what the knobs do as well.
    by_name : int
        Of its own name, with all that, where every fault of a cause counts by itself.
    """

    wiring: str
    fault: SolderFault
    by_meter: int
    by_ear: int
    by_name: int


@lru_cache
def finder_of(name: str) -> FaultFinder:
    harness = unseen(name) if name in NAMES else catalogue().load("harness", name)
    return FaultFinder(solder_plan(harness), demo_rig(harness))


def visible_faults(finder: FaultFinder) -> list[SolderFault]:
    """Faults that show anything at all at the jack."""
    return [fault for fault, shown in finder.faults if shown.key() != finder.whole.key()]


def instrument(rig: Rig, choose: random.Random) -> Rig:
    """The same rig with other resistances; their tolerance is two standard deviations."""
    parts: dict[str, Part] = {}
    for part in rig.harness.parts.values():
        if isinstance(part, Pot):
            parts[part.name] = replace(part, value=part.value * (1 + choose.gauss(0.0, part.tolerance / 2)))
        elif isinstance(part, FixedResistor):
            parts[part.name] = replace(part, value=part.value * (1 + choose.gauss(0.0, 0.025)))
    pickups = {}
    for slot, pickup in rig.pickups.items():
        factor = 1 + choose.gauss(0.0, 0.025)
        coils = {name: replace(coil, resistance=coil.resistance * factor) for name, coil in pickup.coils.items()}
        pickups[slot] = replace(pickup, coils=coils)
    return rig.replace(parts=parts, pickups=pickups)


def observed(
    finder: FaultFinder, fault: SolderFault, choose: random.Random
) -> tuple[list[Observation], list[Observation]]:
    """What a technician reads, and hears, of one instrument with a fault."""
    rig = instrument(finder.rig, choose)
    own = FaultFinder(replace(finder.plan, harness=rig.harness), rig)
    wrong = rig.replace(harness=harness_as_soldered(own.plan, fault.joints))
    knobs = {control.name for control in rig.harness.controls if isinstance(control, Knob)}
    read = []
    for place, settings in finder.places.items():
        by_eye = {
            name: float(at) + choose.uniform(-0.5, 0.5) if name in knobs and 0 < float(at) < 10 else at
            for name, at in settings.items()
        }
        reading = jack_reading(wrong, by_eye)
        if reading is not None:
            ohms = reading.ohms * (1 + choose.uniform(-0.005, 0.005))
            read.append(Observation(place=place, ohms=ohms if ohms < OPEN_OHM else math.inf))
    shown = own.signature(fault.joints)
    for place in finder.grounds:
        ground = shown.readings[place]
        assert ground is not None
        read.append(Observation(place=place, ohms=ground.ohms))
    heard = [Observation(place=place, word=word) for place, word in (*shown.heard.items(), *shown.turned.items())]
    return read, heard


def place_of(finder: FaultFinder, fault: SolderFault, seen: Sequence[Observation]) -> tuple[int, int]:
    """Place of the cause that holds a fault, and of its own name when all are read one after the other."""
    names = 0
    for number, cause in enumerate(finder.causes(seen), start=1):
        if fault in cause.faults:
            return number, names + 1 + cause.faults.index(fault)
        names += max(1, len(cause.faults))
    raise AssertionError(f"{fault.words}: in no cause")


def trial(finder: FaultFinder, fault: SolderFault, choose: random.Random) -> Trial:
    read, heard = observed(finder, fault, choose)
    by_meter, _ = place_of(finder, fault, read)
    by_ear, by_name = place_of(finder, fault, [*read, *heard])
    return Trial(wiring=finder.plan.harness.name, fault=fault, by_meter=by_meter, by_ear=by_ear, by_name=by_name)


def study(names: Sequence[str], count: int, seed: int) -> tuple[list[Trial], list[int], Counter[str]]:
    """Trials over wirings in turn, the sizes of all their causes, and how many faults there are and show."""
    choose = random.Random(seed)
    trials: list[Trial] = []
    sizes: list[int] = []
    numbers: Counter[str] = Counter()
    for index, name in enumerate(names):
        try:
            finder = finder_of(name)
        except InputError:
            continue
        share = count * (index + 1) // len(names) - count * index // len(names)
        seen = visible_faults(finder)
        numbers.update({"faults": len(finder.faults), "showing": len(seen)})
        sizes += [len(cause.faults) for cause in finder.causes([]) if cause.faults]
        trials += [trial(finder, fault, choose) for fault in choose.sample(seen, min(share, len(seen)))]
    return trials, sizes, numbers


def within(trials: Sequence[Trial], which: str, first: int = FIRST) -> float:
    return sum(int(getattr(each, which)) <= first for each in trials) / len(trials)


def main() -> None:
    names = (*catalogue().names("harness"), *NAMES)
    trials, sizes, numbers = study(names, COUNT, SEED)
    kinds = [kind for kind, _ in Counter(each.fault.kind for each in trials).most_common()]
    rows = []
    for kind in (*kinds, "all"):
        own = [each for each in trials if kind in ("all", each.fault.kind)]
        shares = " | ".join(f"{within(own, which):.0%}" for which in ("by_meter", "by_ear", "by_name"))
        rows.append(f"| {kind} | {len(own)} | {shares} |")
    sizes.sort()
    missed = [each for each in trials if each.by_ear > FIRST]
    text = HEAD.format(
        count=len(trials),
        wirings=len({each.wiring for each in trials}),
        faults=numbers["faults"],
        showing=numbers["showing"],
        seed=SEED,
        middle=sizes[len(sizes) // 2],
        most=sizes[-1],
        first=f"{within(trials, 'by_ear', 1):.0%}",
    )
    lines = [f"- {each.wiring}: {each.fault.words} (place {each.by_ear})" for each in missed]
    tail = ["", "Not among the first three:", "", *lines] if lines else []
    PAGE.write_text("\n".join([text.rstrip(), *rows, *tail]) + "\n", encoding="utf-8")


HEAD = """# Faults named from a reading

`labkit wiring NAME --fault` tried on single faults that were put in at random: {count} faults in {wirings} wirings,
seed {seed}. Parts of each instrument deviate at random inside their tolerance (coils ± 5 %, pots ± 20 %, resistors
± 5 %, each taken as two standard deviations), half a turn is made by eye, and the meter errs by 0.5 %. Everything is
computed: no instrument was measured. Made by `python -m tests.rig.fault_study`.

A cause is a set of faults that nothing at the jack tells apart; the lab prints each of them with the check that settles
it. Half of all causes hold up to {middle} faults, the largest {most}. The columns say how often the fault is among the
first three causes with the meter alone, with what is heard and what the knobs do as well, and how often its own name is
among the first three names. The first cause alone holds it in {first}. Of {faults} faults of these wirings {showing}
show at the jack; the others change neither a reading nor the sound there.

| fault | tried | meter: first three causes | meter and ear: first three causes | first three names |
| --- | ---: | ---: | ---: | ---: |
"""

if __name__ == "__main__":
    main()
