"""What the start page offers below its rig: questions of the trade that open a page with the parts in place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urlencode

from labkit.app.kit.controls import Value
from labkit.app.kit.panels import notebook_panels
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.kit.rig.state import PinnedSetup, RigState, Setup, write_query
from labkit.app.kit.rig.structure import RigName
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.study.questions.ready import QUESTIONS

BENCH_RIG = "Saltmarsh Lane, narrow single coil"
TWO_PICKUPS = "Saltmarsh Lane, two pickups"


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """A question and the page that answers it.

    Attributes
    ----------
    question, hint : str
    page : str
        File name of the page without its ending.
    ready : str
        Name of a ready question, which the page of tolerances and searches answers.
    rig, kept_rig : RigName or None
        What A and B start from; None is the usual rig, and for B the same as for A.
    a, b : mapping of str to float or str
        Controls that stand elsewhere than in the rig's sheet, in A and in B; without B, None.
    """

    question: str
    hint: str
    page: str = "rig"
    ready: str = ""
    rig: RigName | None = None
    kept_rig: RigName | None = None
    a: Mapping[str, Value] = field(default_factory=dict)
    b: Mapping[str, Value] | None = None


TASKS: tuple[tuple[str, tuple[Task, ...]], ...] = (
    (
        "Building or winding",
        (
            Task(question="How many turns for what I want?", hint="and do they fit the bobbin", page="winding"),
            Task(
                question="Alnico 2 in place of alnico 5?",
                hint="A alnico 2, B alnico 5: level, inductance, peak",
                page="winding",
                a={"bridge": "narrow single coil, alnico 2, built"},
                b={"bridge": "narrow single coil, built"},
            ),
            Task(question="Which pickup suits this wiring?", hint="by its loaded peak, not the bare one"),
            Task(
                question="250 k or 500 k pots for it?",
                hint="A 500 k, B 250 k: how high the peak stands",
                a={"volume.value": 500e3, "tone.value": 500e3},
                b={},
            ),
            Task(
                question="How far do parts within tolerance spread?",
                hint="pots, capacitors and coils from one drawer",
                page="tolerance_and_search",
            ),
            Task(
                question="How sure is a prediction?",
                hint="every model against numbers from outside",
                page="how_far_to_trust_it",
            ),
        ),
    ),
    (
        "At the repair bench",
        (
            Task(
                question="How long may the cable be before it dulls?",
                hint="no more than 3 dB lost anywhere from 2 to 5 kHz against 3 m",
                page="cable",
            ),
            Task(
                question="How do I explain a long cable at the counter?",
                hint="10 m: one sentence, one picture, one sheet",
                page="cable",
                a={"cable.length": 10.0},
            ),
            Task(
                question="Why does it go dull when turned down?",
                hint="A volume at 5, B at 10",
                a={"volume": 5.0},
                b={"volume": 10.0},
            ),
            Task(
                question="Which pot, taper or treble bleed?",
                hint="a family of curves for each",
                page="pots_and_capacitors",
            ),
            Task(question="Which wiring is in this guitar?", hint="by its pickups, knobs and switch", page="wiring"),
            Task(
                question="Is this pickup what it should be?",
                hint="from a sweep or a meter’s readings",
                page="measure",
            ),
        ),
    ),
    (
        "Playing",
        (
            Task(
                question="What does the tone knob really do?",
                hint="A tone at 3, B at 10; then turn it",
                a={"tone": 3.0},
                b={"tone": 10.0},
            ),
            Task(
                question="What goes when I roll the volume off?",
                hint="A volume at 7, B at 10",
                a={"volume": 7.0},
                b={"volume": 10.0},
            ),
            Task(
                question="Does a treble bleed keep it?",
                hint="both at volume 5: A with a bleed, B without",
                rig=RigName(plain=BENCH_RIG, wiring="volume with a capacitor bleed"),
                kept_rig=RigName(plain=BENCH_RIG),
                a={"volume": 5.0},
                b={"volume": 5.0},
            ),
            Task(
                question="Single coil or two-coil?",
                hint="A two-coil, B single, the same pots and cable",
                a={"bridge": "two-coil"},
                b={},
            ),
            Task(
                question="What does the middle position do?",
                hint="A both pickups, B the bridge alone",
                rig=RigName(plain=TWO_PICKUPS),
                a={"selector": "both"},
                b={"selector": "bridge"},
            ),
            Task(
                question="What does out of phase sound like?",
                hint="both pickups: A reversed, B in phase",
                rig=RigName(plain=TWO_PICKUPS, wiring="two pickups, phase switch"),
                a={"selector": "both", "phase": "reversed"},
                b={"selector": "both"},
            ),
            Task(
                question="Does the tone capacitor matter?",
                hint="tone at 0: A 47 nF, B 22 nF; then at 10",
                a={"tone": 0.0, "tone_capacitor": 47e-9},
                b={"tone": 0.0},
            ),
            Task(
                question="Can I tell 250 k pots from 500 k?",
                hint="blind, at the same loudness",
                page="listening_test",
                b={"volume.value": 500e3, "tone.value": 500e3},
            ),
            Task(
                question="Can I tell a short cable from a long one?",
                hint="3 m against 10 m, blind; “could not tell” is an answer",
                page="listening_test",
                a={"cable.length": 3.0},
                b={"cable.length": 10.0},
            ),
        ),
    ),
)


def asked_tasks() -> list[dict[str, object]]:
    """Return the questions by who asks them; each opens a page in a state given by its query.

    Questions whose rig the catalogue does not hold or that its controls cannot answer, or for which there is no page,
    are left out; without a rig, all.
    """
    offers = RigOffers()
    if not offers.rigs:
        return []
    pages = {panel.name: panel.page for panel in notebook_panels()}
    groups: list[dict[str, object]] = []
    for who, own_tasks in TASKS:
        shown = [
            {
                "question": task.question,
                "hint": task.hint,
                "file": pages[task.page],
                "query": ready_query(task.ready) if task.ready else task_query(offers, task),
            }
            for task in (*own_tasks, *ready_tasks(who))
            if task.page in pages and _can_be_shown(offers, task)
        ]
        if shown:
            groups.append({"who": who, "tasks": shown})
    return groups


def task_query(offers: RigOffers, task: Task) -> str:
    """Return the address query that shows what a question is about."""
    usual = RigName(plain=offers.default_rig)
    rig = task.rig or usual
    now = _setup(offers, rig, task.a)
    kept = () if task.b is None else (PinnedSetup(slot=0, setup=_setup(offers, task.kept_rig or rig, task.b)),)
    return write_query(RigState(setup=now, pins=kept), default_rig=offers.default_rig, offer=offers.offer)


def _setup(offers: RigOffers, rig: RigName, values: Mapping[str, Value]) -> Setup:
    offer = offers.offer(rig.text)
    return offer.setup(offer.name, values)


def _can_be_shown(offers: RigOffers, task: Task) -> bool:
    for rig, values in ((task.rig, task.a), (task.kept_rig or task.rig, task.b or {})):
        name = (rig or RigName(plain=offers.default_rig)).text
        try:
            controls = offers.offer(name).controls
        except InputError:
            return False
        if any(key not in controls for key in values):
            return False
    return True


def ready_tasks(who: str) -> tuple[Task, ...]:
    """Return the ready questions that stand under a heading."""
    return tuple(
        Task(question=question.asks, hint=question.hint, page="tolerance_and_search", ready=question.name)
        for question in QUESTIONS.values()
        if question.asked_by == who
    )


def ready_query(name: str) -> str:
    """Return the address query that asks a ready question on the page of tolerances and searches."""
    return urlencode({"v": 1, "own.ask": "question", "own.question": name})


def demo_rigs() -> list[dict[str, str]]:
    """Return name, summary and address of the rigs that the catalogue holds."""
    found, offers = catalogue(), RigOffers()
    return [
        {
            "name": name,
            "summary": found.item("rig", name).summary,
            "query": write_query(RigState(setup=Setup(rig=name)), default_rig=offers.default_rig, offer=offers.offer),
        }
        for name in found.usable_names("rig")
    ]
