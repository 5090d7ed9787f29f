"""What the first page offers: questions of the trade that open a rig with the parts in place, and the demo rigs."""

from __future__ import annotations

from labkit.app.controls import Value
from labkit.app.rig_model import query_for
from labkit.app.rig_offers import RigOffers
from labkit.catalogue import catalogue

RIG_PAGE = "rig.ipynb"


def landing_tasks() -> list[dict[str, object]]:
    """Return the questions by who asks them; each opens a page in a state given by its query.

    Questions that the first rig of the catalogue cannot answer (a knob it has not) are left out; without a rig, all.
    """
    if not RigOffers().rigs:
        return []
    groups: list[dict[str, object]] = [
        {
            "who": "Building or winding",
            "tasks": [
                _task(
                    "Which pickup suits this wiring?", "Change the pickup and see the loaded peak, not the bare one."
                ),
                _task(
                    "What do 250 k pots do to it, and 500 k?",
                    "The pots set how high the peak stands.",
                    {"volume.value": 500e3, "tone.value": 500e3},
                    {},
                ),
            ],
        },
        {
            "who": "At the repair bench",
            "tasks": [
                _task(
                    "How long may the cable be before it dulls?",
                    "Three metres pinned, ten metres now.",
                    {"cable.length": 10.0},
                    {"cable.length": 3.0},
                ),
                _task(
                    "Why does it go dull when the volume is backed off?",
                    "Full up pinned, five now.",
                    {"volume": 5.0},
                    {"volume": 10.0},
                ),
            ],
        },
        {
            "who": "Playing",
            "tasks": [
                _task(
                    "What does the tone knob really do?",
                    "Full up pinned, three now; then turn it.",
                    {"tone": 3.0},
                    {"tone": 10.0},
                ),
                _task("Does the tone capacitor matter?", "At ten hardly; at zero a great deal.", {"tone": 0.0}),
            ],
        },
    ]
    asked = [{**group, "tasks": [task for task in group["tasks"] if task]} for group in groups]  # type: ignore[attr-defined]
    return [group for group in asked if group["tasks"]]


def landing_rigs() -> list[dict[str, str]]:
    """Return name, summary and address of the rigs that the catalogue holds."""
    found = catalogue()
    return [
        {"name": name, "summary": found.item("rig", name).summary, "query": query_for({}, rig=name)}
        for name in found.usable_names("rig")
    ]


def _task(
    question: str, hint: str, now: dict[str, Value] | None = None, pin: dict[str, Value] | None = None
) -> dict[str, str] | None:
    offers = RigOffers()
    controls = offers.offer(offers.default_rig).controls
    if any(key not in controls for key in {**(now or {}), **(pin or {})}):
        return None
    return {"question": question, "hint": hint, "file": RIG_PAGE, "query": query_for(now or {}, pin=pin)}
