"""What the page of studies says: numbers, sentences and tables of an answer."""

from __future__ import annotations

import math

from labkit.app.pages.study.state import StudyPageState
from labkit.app.pages.study.work import SpreadAnswer
from labkit.core.errors import InputError, capitalized, join_words
from labkit.core.units import format_quantity
from labkit.rig.rig import Rig
from labkit.study.measures import LEVEL, RESONANCE, Measure
from labkit.study.questions.cable import length_text
from labkit.study.questions.question import QuestionAnswer
from labkit.study.questions.ready import QUESTIONS
from labkit.study.search.solution import SearchResult, SearchSolution
from labkit.study.tolerance.result import MeasureSpread
from labkit.view.words import KeyNumber, frequency_in_words, key_numbers, level_in_words, read_response

NOT_MODELLED = (
    "Parts vary independently of one another. Not modelled: ageing, the temperature of the parts, and what the "
    "amplifier does behind its input."
)
ABOUT_SEARCH = (
    "Values are taken as exact; what their tolerance does, “how far parts spread” tells. A peak is good to ±6 % (95 of "
    "100) even with a known load."
)
CAUTION = (
    "Changing parts means soldering: fume extraction, clean hands, and the instrument unplugged. Local codes and "
    "product data sheets come first."
)
NAMES = {RESONANCE: "Peak at", "height": "Peak over the bass", LEVEL: "Level at 100 Hz"}


def spread_numbers(answer: SpreadAnswer) -> tuple[KeyNumber, ...]:
    """Return where the middle 90 of 100 instruments lie, and how many are good."""
    result = answer.result
    found = []
    for name in (RESONANCE, "height"):
        item = result.measure(name)
        if item.found:
            found.append(
                KeyNumber(
                    label=NAMES[name],
                    value=f"{_shown(item.measure, item.low)} to {_shown(item.measure, item.high)}",
                    detail="90 of 100 lie in there",
                )
            )
        else:
            found.append(KeyNumber(label=NAMES[name], value="no peak", detail="in any of them"))
    share = result.share_interval
    if share is None or result.share is None:
        found.append(KeyNumber(label="Good ones", value="–", detail="say what a good one keeps"))
    else:
        low, high = (100 * end for end in share)
        found.append(
            KeyNumber(
                label="Good ones", value=f"{100 * result.share:.0f} %", detail=f"{low:.0f} to {high:.0f} % (95 of 100)"
            )
        )
    return tuple(found)


def spread_sentence(answer: SpreadAnswer) -> str:
    """Return what matters most."""
    sentence = answer.sentence
    if answer.no_shares:
        sentence = f"{sentence} Shares are left out: {answer.no_shares}."
    if not answer.result.complete:
        sentence = f"Stopped after {answer.result.count} of {answer.result.study.count}. {sentence}"
    return sentence


def spread_rows(answer: SpreadAnswer) -> list[tuple[str, ...]]:
    """Return every measure with its plan and its spread."""
    return [
        (
            NAMES.get(item.measure.name, item.measure.name),
            _exactly(item.measure, item.nominal),
            _exactly(item.measure, item.low),
            _exactly(item.measure, item.median),
            _exactly(item.measure, item.high),
            _missing(answer, item),
        )
        for item in answer.result.measures
    ]


def _missing(answer: SpreadAnswer, item: MeasureSpread) -> str:
    missing = answer.result.count - item.found
    return "in all" if not missing else f"missing in {100 * missing / answer.result.count:.1f} %"


def cause_rows(answer: SpreadAnswer) -> list[tuple[str, ...]]:
    """Return every part that varies, the one that matters most first."""
    shares = {share.name: share for share in answer.shares}
    slopes = {slope.name: slope for slope in answer.local}
    varied = dict(answer.varied)
    measure = answer.measure.measure
    rows: list[tuple[str, ...]] = []
    for bar in answer.bars:
        share, slope = shares.get(bar.name), slopes.get(bar.name)
        per_cent = "–"
        if slope is not None:
            values = {RESONANCE: slope.resonance_percent, "height": slope.height_db, LEVEL: slope.level_db}
            value = values.get(measure.name, math.nan)
            unit = "%" if measure.name == RESONANCE else "dB"
            per_cent = "–" if not math.isfinite(value) else f"{value:+.3f} {unit}".replace("-", "−")
        rows.append(
            (
                bar.name,
                varied.get(bar.name, ""),
                f"{_exactly(measure, bar.low)} to {_exactly(measure, bar.high)}",
                per_cent,
                "–" if share is None else f"{100 * max(share.total, 0):.0f} % ± {100 * share.total_within:.0f} %",
            )
        )
    return rows


def answer_numbers(answer: QuestionAnswer, rig: Rig | None) -> tuple[KeyNumber, ...]:
    """Return the value, what can be bought, and where the peak then sits."""
    numbers = [_value_number(answer)]
    if answer.stocked is not None:
        numbers.append(
            KeyNumber(
                label="To be bought",
                value=format_quantity(answer.stocked, answer.unit),
                detail="" if answer.left_db is None else f"the curves then differ by {answer.left_db:.2f} dB",
            )
        )
    if rig is not None:
        numbers.append(key_numbers(read_response(rig.response()))[0])
    return tuple(numbers[:3])


def _value_number(answer: QuestionAnswer) -> KeyNumber:
    question = QUESTIONS[answer.question]
    if question.counts:
        value, note = (
            f"{answer.value:.0f} {question.counts}",
            str(answer.rows[0].get("wire", "")) if answer.rows else "",
        )
    elif answer.unit == "m":
        value, note = length_text(answer.value), question.found_note
    else:
        value, note = format_quantity(float(f"{answer.value:.3g}"), answer.unit), question.found_note
    return KeyNumber(label=question.found, value=value, detail=note)


def stocked_row(answer: QuestionAnswer) -> int:
    """Return the row of an answer's table that holds the value to be bought; −1 where none does."""
    if answer.stocked is None:
        return -1
    places = (place for place, row in enumerate(answer.rows) if next(iter(row.values())) == answer.stocked)
    return next(places, -1)


def answer_rows(answer: QuestionAnswer) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Return the head and the rows of an answer's table."""
    if not answer.rows:
        return (), []
    head = tuple(_HEADS.get(key, key.replace("_", " ")) for key in answer.rows[0])
    return head, [tuple(_cell(key, value) for key, value in row.items()) for row in answer.rows]


_HEADS = {
    "capacitance_f": "Capacitor",
    "hump_hz": "Hump at",
    "length_m": "Length",
    "cable": "Cable",
    "treble_end_hz": "−3 dB point",
    "mean_loss_db": "Mean loss",
    "worst_loss_db": "Worst loss",
    "wire": "Wire",
    "turns": "Turns",
    "distance_db": "Curves differ by",
    "resistance_ohm": "Resistance",
    "inductance_h": "Inductance",
}
_UNITS = {"_f": "F", "_ohm": "Ω", "_h": "H"}


def _cell(key: str, value: object) -> str:
    if value is None:
        return "none"
    if isinstance(value, str):
        return value
    number = float(value)  # type: ignore[arg-type]
    if key.endswith("_hz"):
        return frequency_in_words(number)
    if key.endswith("_m"):
        return length_text(number)
    if key.endswith("_db"):
        return f"{number:.2f} dB".replace("-", "−")
    unit = next((unit for end, unit in _UNITS.items() if key.endswith(end)), None)
    return f"{number:.0f}" if unit is None else format_quantity(float(f"{number:.3g}"), unit)


def search_numbers(result: SearchResult) -> tuple[KeyNumber, ...]:
    """Return how many meet the goal, and what the best has."""
    fitting = sum(solution.fits for solution in result.solutions)
    first = KeyNumber(
        label="Meets the goal" if result.fits else "Nothing meets it",
        value=f"{fitting} of {len(result.solutions)}" if result.fits else "the nearest",
        detail=f"{result.tried} tried" if result.complete else f"stopped after {result.tried}",
    )
    if not result.solutions:
        return (first,)
    return (first, *key_numbers(read_response(result.solutions[0].rig.response()))[:2])


def search_sentence(result: SearchResult) -> str:
    """Return what was found, or why nothing fits."""
    if result.reason:
        return result.reason
    best = result.solutions[0]
    text = f"The best has {choices_in_words(result, best)}."
    if best.gives_up:
        text += f" It gives up: {join_words(best.gives_up)}."
    return text


def choices_in_words(result: SearchResult, solution: SearchSolution) -> str:
    """Return what a solution chose, such as "volume 500 kΩ and cable length 9.1 m"."""
    from labkit.app.pages.study.work import in_words

    shown = {freedom.name: freedom for freedom in result.goal.freedoms}
    return join_words(
        f"{in_words(result.goal.rig, name)} {shown[name].shown(value) if name in shown else value}"
        for name, value in solution.choices.items()
    )


def search_rows(result: SearchResult) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Return the head and the rows of the ranked list."""
    head = ("Parts", *(capitalized(target.name) for target in result.goal.targets), "Gives up")
    rows = [
        (
            f"{place}.",
            choices_in_words(result, solution),
            *(target.shown(value) for target, value in zip(result.goal.targets, solution.values)),
            "; ".join(solution.gives_up) or "nothing",
        )
        for place, solution in enumerate(result.solutions, start=1)
    ]
    return head, rows


def links(state: StudyPageState) -> tuple[str, ...]:
    """Return where each found rig opens on the rig page; empty for one that is too large for an address."""
    found = []
    for rig in state.found:
        try:
            found.append(f"rig.ipynb?{state.link_to(rig)}")
        except InputError:
            found.append("")
    return tuple(found)


def _exactly(measure: Measure, value: float) -> str:
    """A value with one more digit, for what moves by little."""
    return "none" if math.isnan(value) else measure.shown(value).replace("-", "−")


def _shown(measure: Measure, value: float) -> str:
    if math.isnan(value):
        return "none"
    return frequency_in_words(value) if measure.unit == "Hz" else level_in_words(value)
