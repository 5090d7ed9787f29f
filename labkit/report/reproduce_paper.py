"""The record of a search for an original: what is known of it, and the builds that could be it or come close."""

from __future__ import annotations

from collections.abc import Sequence

from labkit.bench.reproduce import UNITS, Original, Reproduction
from labkit.core.errors import capitalized
from labkit.report.paper_page import TO_FILL_IN, PaperHead, bounds, bullets, grid, page, remark, titled

MOST_BUILDS = 6

NOT_SAID = (
    "Readings count as independent, a finished build as good as its prediction (resistance and inductance 6 %, "
    "capacitance 25 %, weight 5 %, field 15 %; common practice). Not modelled: string pull, microphony. Whether two "
    "builds are told apart by ear only a blind test says."
)


def reproduce_paper_html(
    bobbin: str, original: Original, found: Sequence[Reproduction], *, head: PaperHead = TO_FILL_IN
) -> str:
    """Return the printable record of a search.

    Parameters
    ----------
    bobbin : str
        Name of the build whose bobbin was wound anew.
    original : Original
    found : sequence of Reproduction
        Best first.
    head : PaperHead
    """
    known = [(capitalized(name), bounds(value, UNITS[name])) for name, value in original.readings.items()]
    if original.pickup is None:
        known.append(("Curve", "none: no electrical values are known"))
    rows = []
    for item in found[:MOST_BUILDS]:
        choice = item.choice
        charge = f", {100 * choice.charge:.0f} % charged" if choice.charge < 1 else ""
        could = "–" if item.is_same is None else ("could be" if item.is_same else "is not")
        curve = "–"
        if item.distance_db is not None:
            curve = f"{'the same' if item.has_same_curve else 'another'}, {item.distance_db.value:.2f} dB apart"
        rows.append(
            (f"{choice.turns:.0f} turns of {choice.wire}, {choice.magnet}{charge}", could, f"{item.share:.0%}", curve)
        )
    best = found[0]
    off = [
        (capitalized(name), f"{100 * value:+.1f} %".replace("-", "−"), f"{abs(best.deviations[name]):.1f}")
        for name, value in best.off.items()
    ]
    body = [
        titled("What is known of the original", grid(("Reading", "with 95 % bounds"), known)),
        titled("Builds", grid(("Build", "The original?", "Share", "Its curve"), rows)),
        titled("The first against the original", grid(("Reading", "Off by", "In standard deviations"), off))
        if off
        else "",
        bullets("Mind", best.notes),
        remark(NOT_SAID),
    ]
    return page(f"Reproduction on the bobbin of {bobbin}", head, body)
