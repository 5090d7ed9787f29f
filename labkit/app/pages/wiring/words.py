"""What the wiring page says of the bench: drawing, steps, checks, and what explains a reading.

The libraries behind the drawing take a while to load, so each function imports what it needs.
"""

from __future__ import annotations

from functools import lru_cache
from html import escape
from typing import TYPE_CHECKING

from labkit.app.kit.text import table_html
from labkit.rig.rig import Rig
from labkit.study.work.reduction import fingerprint

if TYPE_CHECKING:
    from labkit.rig.devices.faults import FaultFinder


def soldering_html(rig: Rig) -> str:
    """Return the soldering drawing of a rig's wiring with the list of its wires."""
    from labkit.view.soldering.drawing import draw_soldering
    from labkit.view.soldering.words import linked_html

    drawn = draw_soldering(rig.harness)
    return linked_html(drawn.to_svg(), drawn.plan)


def finder_of(rig: Rig) -> FaultFinder:
    """Return what finds faults in a rig's wiring, its wires numbered as drawn, with the rig's pickups."""
    return _finder(_Known(rig))


class _Known:
    """A rig that equals another of the same wiring and pickups, so that its faults are worked out once."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.key = fingerprint(rig.harness.name, dict(rig.harness.parts), dict(rig.pickups))

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Known) and self.key == other.key


@lru_cache(maxsize=4)
def _finder(known: _Known) -> FaultFinder:
    from labkit.rig.devices.faults import FaultFinder
    from labkit.view.soldering.drawing import draw_soldering

    return FaultFinder(draw_soldering(known.rig.harness).plan, known.rig)


def steps_html(rig: Rig) -> str:
    """Return what is bought, and the numbered steps."""
    from labkit.rig.devices.steps import shopping_list, soldering_steps
    from labkit.view.soldering.drawing import draw_soldering
    from labkit.view.soldering.words import CAUTION

    plan = draw_soldering(rig.harness).plan
    to_buy = [(f"{row.count} × {row.what}", row.value, row.use) for row in shopping_list(plan)]
    steps = "".join(
        f"<li>[{', '.join(map(str, step.wires))}] {escape(str(step))}</li>" for step in soldering_steps(plan)
    )
    return (
        f"{table_html('To buy', ('Part', 'Value', 'For'), to_buy)}<h3>Steps</h3>"
        f'<p class="lab-note">Numbers in brackets are the wires of the drawing.</p>'
        f'<ol class="lab-soldering-wires">{steps}</ol><p class="lab-note">{escape(CAUTION)}</p>'
    )


def checks_html(rig: Rig) -> str:
    """Return what a meter and the ear must find in every position."""
    from labkit.rig.devices.steps import knob_checks
    from labkit.view.soldering.words import (
        CAUTION,
        CHECKS_BASIS,
        CHECKS_HEAD,
        check_rows,
        pickups_words,
        sleeve_words,
    )

    finder = finder_of(rig)
    turned = knob_checks(finder)
    knobs = table_html("With a knob turned", ("Where", "At the jack"), turned) if turned else ""
    return (
        table_html("Before the strings go on, knobs at 10", CHECKS_HEAD, check_rows(finder))
        + f"<p>{escape(sleeve_words(finder))}</p>{knobs}"
        + f'<p class="lab-note">{escape(pickups_words(finder, None))} {escape(CHECKS_BASIS)} {escape(CAUTION)}</p>'
    )


def faults_html(rig: Rig) -> str:
    """Return what shows when a wire is missing, each broken in the model."""
    from labkit.rig.devices.steps import fault_table
    from labkit.view.soldering.words import CHECKS_BASIS, either_of

    faults = [(row.shows, row.complaint, either_of(row.wires)) for row in fault_table(finder_of(rig))]
    table = table_html("When one wire is missing", ("What shows", "Complaint", "Wire"), faults)
    return f'{table}<p class="lab-note">{escape(CHECKS_BASIS)}</p>'


def causes_html(rig: Rig, lines: str) -> str:
    """Return the likeliest faults for lines such as ``neck: open``; lines without a reading are passed over.

    Raises
    ------
    InputError
        If no line has a reading, or one is not understood.
    """
    from labkit.core.errors import InputError
    from labkit.view.soldering.words import said_causes

    finder = finder_of(rig)
    given = [line.strip() for line in lines.splitlines() if line.strip() and not line.strip().endswith(":")]
    if not given:
        first = next(iter(finder.positions))
        raise InputError(f"write what the meter shows behind a place, such as '{first}: open' or '{first}: silent'")
    seen = [finder.observation(line) for line in given]
    causes, following, basis = said_causes(finder, seen)
    found = "".join(
        f"<li>{escape(words)}<ul>{''.join(f'<li>{escape(each)}</li>' for each in faults)}</ul></li>"
        for words, faults in causes
    )
    read = f"<p>{escape('; '.join(following))}.</p>" if following else ""
    return f'<ol class="lab-causes">{found}</ol>{read}<p class="lab-note">{escape(basis)}</p>'


def places_to_read(rig: Rig) -> str:
    """Return a line for each place of the switches, to be filled in with what the meter shows."""
    from labkit.rig.devices.faults import read_positions

    return "\n".join(f"{place}: " for place in read_positions(rig))
