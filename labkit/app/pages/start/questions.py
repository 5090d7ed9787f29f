"""What the first page offers: questions of the trade that open a page with the parts in place, and the demo rigs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urlencode

from labkit.app.kit.controls import Value
from labkit.app.kit.panels import notebook_panels
from labkit.app.kit.rig.offers import RigOffers
from labkit.app.pages.rig.state import query_for
from labkit.catalogue import catalogue
from labkit.study.questions.ready import QUESTIONS


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
    now, pin : mapping of str to float or str
        Controls that stand elsewhere than in the rig's sheet, now and in the pinned rig; None pins nothing.
    """

    question: str
    hint: str
    page: str = "rig"
    ready: str = ""
    now: Mapping[str, Value] = field(default_factory=dict)
    pin: Mapping[str, Value] | None = None


TASKS: tuple[tuple[str, tuple[Task, ...]], ...] = (
    (
        "Building or winding",
        (
            Task(
                question="How many turns for what I want, and do they fit?",
                hint="Bobbin, wire and turns to scale; resistance and inductance with their intervals.",
                page="winding",
            ),
            Task(
                question="What does Alnico 2 do in place of Alnico 5?",
                hint="Alnico 5 pinned, Alnico 2 now: level, inductance and the peak move together.",
                page="winding",
                now={"bridge": "narrow single coil, alnico 2, built"},
                pin={"bridge": "narrow single coil, built"},
            ),
            Task(
                question="Which pickup suits this wiring?",
                hint="Change the pickup and see the loaded peak, not the bare one.",
            ),
            Task(
                question="What do 250 k pots do to it, and 500 k?",
                hint="250 k pinned, 500 k now: the pots set how high the peak stands.",
                now={"volume.value": 500e3, "tone.value": 500e3},
                pin={},
            ),
            Task(
                question="How far do parts within tolerance spread?",
                hint="The band that pots, capacitors and coils from the same drawer make.",
                page="tolerance_and_search",
            ),
            Task(
                question="How far can I trust a prediction?",
                hint="Every model against numbers from outside, and what is left out.",
                page="how_far_to_trust_it",
            ),
        ),
    ),
    (
        "At the repair bench",
        (
            Task(
                question="How long may the cable be before it dulls?",
                hint="The longest that loses no more than 3 dB anywhere from 2 to 5 kHz against 3 m.",
                page="cable",
            ),
            Task(
                question="How do I explain a long cable at the counter?",
                hint="One sentence, a family of curves, and a sheet to hand over.",
                page="cable",
                now={"cable.length": 10.0},
            ),
            Task(
                question="Why does it go dull when the volume is backed off?",
                hint="Full up pinned, five now.",
                now={"volume": 5.0},
                pin={"volume": 10.0},
            ),
            Task(
                question="Which pot, taper or treble bleed?",
                hint="One family of curves for each, by the knob's position.",
                page="pots_and_capacitors",
            ),
            Task(
                question="Is this pickup what it should be?",
                hint="Drop a sweep or type readings; what fits, and what does not.",
                page="measure",
            ),
        ),
    ),
    (
        "Playing",
        (
            Task(
                question="What does the tone knob really do?",
                hint="Full up pinned, three now; then turn it.",
                now={"tone": 3.0},
                pin={"tone": 10.0},
            ),
            Task(
                question="Does the tone capacitor matter?",
                hint="At ten hardly; at zero a great deal: 22 nF pinned, 47 nF now.",
                now={"tone": 0.0, "tone_capacitor": 47e-9},
                pin={"tone": 0.0},
            ),
            Task(
                question="Can I tell 250 k pots from 500 k?",
                hint="Blind, at equal loudness, as often as it takes.",
                page="listening_test",
                pin={"volume.value": 500e3, "tone.value": 500e3},
            ),
            Task(
                question="Can I tell a short cable from a long one?",
                hint="Three metres against ten, blind; “could not tell” is a full answer.",
                page="listening_test",
                now={"cable.length": 3.0},
                pin={"cable.length": 10.0},
            ),
        ),
    ),
)


def landing_tasks() -> list[dict[str, object]]:
    """Return the questions by who asks them; each opens a page in a state given by its query.

    Questions that the first rig of the catalogue cannot answer (a knob it has not), or for which there is no page, are
    left out; without a rig, all.
    """
    offers = RigOffers()
    if not offers.rigs:
        return []
    controls = offers.offer(offers.default_rig).controls
    pages = {panel.name: panel.page for panel in notebook_panels()}
    groups: list[dict[str, object]] = []
    for who, own_tasks in TASKS:
        tasks = (*own_tasks, *ready_tasks(who))
        shown = [
            {
                "question": task.question,
                "hint": task.hint,
                "file": pages[task.page],
                "query": ready_query(task.ready) if task.ready else query_for(task.now, pin=task.pin),
            }
            for task in tasks
            if task.page in pages and all(key in controls for key in {**task.now, **(task.pin or {})})
        ]
        if shown:
            groups.append({"who": who, "tasks": shown})
    return groups


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


def landing_rigs() -> list[dict[str, str]]:
    """Return name, summary and address of the rigs that the catalogue holds."""
    found = catalogue()
    return [
        {"name": name, "summary": found.item("rig", name).summary, "query": query_for({}, rig=name)}
        for name in found.usable_names("rig")
    ]
