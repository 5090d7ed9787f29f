"""``labkit tolerance`` and ``labkit search``: many variants of a rig, and values that meet a goal."""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labkit.catalogue import catalogue
from labkit.cli.completion_command import names_of
from labkit.cli.options import Output, changed, result_options, set_option
from labkit.cli.with_book import FromBook, known_data, known_text, with_book_options
from labkit.core.errors import InputError, QuantityError, did_you_mean, join_words
from labkit.core.units import name_and_value, parse_quantity
from labkit.rig.rig import Rig
from labkit.study.questions.loads import load_rig_or_pickup
from labkit.study.questions.ready import QUESTIONS
from labkit.study.work.work import Progress, Workers

if TYPE_CHECKING:
    from labkit.pickup.predict.built import BuiltPickup

CHECK_FAILED, INTERRUPTED = 1, 130
QUIET_S = 1.0
"""Seconds before progress is shown."""


def work_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """``--workers``, ``--scheduler`` and ``--record``."""
    function = click.option(
        "--record",
        type=click.Path(path_type=Path),
        help="Keep in this file how far it is; started again with the same file it goes on from there.",
    )(function)
    function = click.option(
        "--scheduler",
        metavar="ADDRESS",
        help="Share the work among the workers of this Dask scheduler, such as tcp://127.0.0.1:8786 (labkit[cluster]).",
    )(function)
    return click.option(
        "--workers", type=click.IntRange(1, 256), default=1, show_default=True, help="Processes to share the work."
    )(function)


@contextmanager
def _workers(count: int, scheduler: str | None) -> Iterator[Workers]:
    if scheduler is None:
        yield count
        return
    if count > 1:
        raise InputError("--workers are processes of this machine, --scheduler those of a cluster; give one of them")
    from labkit.study.work.cluster import workers_of

    with workers_of(scheduler) as workers:
        yield workers


@click.command()
@click.argument("sheet", **names_of("rig"))
@result_options(csv="Print the bands as a table.")
@set_option
@click.option(
    "spreads",
    "--vary",
    multiple=True,
    metavar="NAME=SPREAD",
    help=(
        "Spread of a number, such as volume.value=10%, cable.length='4 m to 6 m', bridge.main.turns='normal 2%'; "
        "added to the tolerances of the parts, or in their place."
    ),
)
@click.option("held", "--hold", multiple=True, metavar="NAME", help="Keep a number at its value.")
@click.option("--only", is_flag=True, help="Vary nothing but what --vary names.")
@click.option("--count", type=click.IntRange(min=1), default=10_000, show_default=True, help="Variants.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Same seed, same variants.")
@click.option(
    "--sampling",
    type=click.Choice(["sobol", "random"]),
    default="sobol",
    show_default=True,
    help="Even cover, or independent draws.",
)
@click.option("--points", type=click.IntRange(16, 4096), default=256, show_default=True, help="Frequencies.")
@click.option(
    "measures",
    "--measure",
    multiple=True,
    help="A number beyond the usual: 'level at 3 kHz', noise, 'A-weighted noise'.",
)
@click.option(
    "windows",
    "--window",
    multiple=True,
    metavar="NAME=LOW to HIGH",
    help="What a good variant keeps, such as resonance='3.8 kHz to 4.2 kHz'.",
)
@click.option("--least-share", metavar="PERCENT", help="Fail (exit code 1) if fewer variants keep the windows.")
@click.option("--sensitivity", is_flag=True, help="Say what matters most: slopes, swings, shares of the variance.")
@click.option("--plot", type=click.Path(path_type=Path), help="Draw the bands (.svg, .png or .pdf).")
@click.option("--histograms", type=click.Path(path_type=Path), help="Draw the spreads of the numbers.")
@click.option("--tornado", type=click.Path(path_type=Path), help="Draw what moves the peak most.")
@with_book_options
@work_options
def tolerance(
    sheet: str,
    out: Output,
    changes: tuple[str, ...],
    spreads: tuple[str, ...],
    held: tuple[str, ...],
    only: bool,
    count: int,
    seed: int,
    sampling: str,
    points: int,
    measures: tuple[str, ...],
    windows: tuple[str, ...],
    least_share: str | None,
    sensitivity: bool,
    plot: Path | None,
    histograms: Path | None,
    tornado: Path | None,
    workers: int,
    scheduler: str | None,
    record: Path | None,
    from_book: FromBook,
) -> int:
    """What the tolerances of its parts do to the rig SHEET (or to a pickup, into 200 kΩ and 470 pF).

    Without options every part varies within its tolerance class, coils by what is usual, built pickups by the doubts of
    their build; knobs stay where they are. With --book, built pickups vary as the workshop's own coils do.
    """
    from labkit.cli import study_text
    from labkit.rig.inputs import rig_inputs
    from labkit.study import written
    from labkit.study.measures import RESONANCE, Measure, parse_measure, parse_window
    from labkit.study.tolerance.result import VARIANTS
    from labkit.study.tolerance.sensitivity import global_sensitivities, local_sensitivities, swings, what_matters
    from labkit.study.tolerance.tolerance import run_tolerance, tolerance_study

    if least_share is not None and not windows:
        raise InputError("--least-share needs a --window to count by")
    if (out.as_csv or plot is not None) and not VARIANTS.holds(count):
        raise InputError(
            f"{'--csv' if out.as_csv else '--plot'} gives percentiles, which {VARIANTS.low:g} variants or more have; "
            f"got --count {count}"
        )
    wanted_share = None if least_share is None else _share(least_share)
    rig, built, known = from_book.of_rig(changed(load_rig_or_pickup(sheet), changes))
    study = tolerance_study(
        rig,
        _spreads(rig, spreads, held, only, built),
        count=count,
        seed=seed,
        sampling=sampling,  # type: ignore[arg-type]
        points=points,
        measures=[parse_measure(text) for text in measures],
        windows=[parse_window(text) for text in windows],
        built=built,
    )
    with _workers(workers, scheduler) as shared, _Shown("variants") as shown:
        result = run_tolerance(study, workers=shared, watcher=shown.tell, stop=shown.asked, record=record)
    extra: dict[str, Any] = {}
    sentences: list[str] = []
    bars: dict[str, Any] = {}
    if sensitivity or tornado is not None:
        usual = [item.measure for item in result.measures if item.found == result.count]
        bars = {measure.key: swings(study, measure) for measure in usual}
        indices = {}
        if sensitivity and len(study.spreads) > 1:
            indices = {measure.key: global_sensitivities(study, measure) for measure in usual}
        sentences = [what_matters(measure, bars[measure.key], indices.get(measure.key, ())) for measure in usual]
        local = local_sensitivities(study) if sensitivity else ()
        extra = {"sensitivity": written.sensitivity_data(local, bars, indices, sentences)}
    _draw(result, bars, plot, histograms, tornado, out.force)
    out.write(
        text=lambda: study_text.tolerance_text(result, rig_inputs(rig), sentences) + known_text(known),
        data=lambda: written.tolerance_data(result) | extra | known_data(known),
        csv=lambda: written.tolerance_csv(result),
    )
    assert Measure(RESONANCE) in study.measures
    failed = wanted_share is not None and result.share is not None and result.share < wanted_share
    if not result.complete:
        return INTERRUPTED
    return CHECK_FAILED if failed else 0


def question_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """``--rig`` and what the ready questions ask for, each option once."""
    inputs = {each.name: each for question in QUESTIONS.values() for each in question.inputs}
    for each in reversed(inputs.values()):
        meaning = f"Ready questions: {each.meaning}"
        function = click.option(f"--{each.name}", multiple=each.kind == "names", help=meaning)(function)
    return click.option("--rig", help="Ready questions: the rig it is about.")(function)


_SEARCH = """Part values, pickups or builds that meet a GOAL.

GOAL is the path of a goal sheet, the name of a goal in the catalogue, or a ready question about --rig. A goal sheet
names a rig, what its curve shall be ([target]), and what may be changed ([[vary]]); "labkit catalogue goal" lists
examples. With --book, built pickups are as the workshop winds them. Ready questions:

\b
{questions}

Exit code 1: the goal was understood and nothing meets it. Interrupted once from the keyboard it ends with what was
found so far and exit code 130.
"""


def _quoted(name: str) -> str:
    return f'"{name}"'


def _search_help() -> str:
    width = max(map(len, QUESTIONS)) + 4
    lines = (
        f"{quoted:<{width}}{question.answer}" for question in QUESTIONS.values() for quoted in [f'"{question.name}"']
    )
    return _SEARCH.format(questions="\n".join(lines))


@click.command(help=_search_help())
@click.argument("goal")
@result_options(csv="Print a table.")
@set_option
@question_options
@with_book_options
@work_options
def search(
    goal: str,
    out: Output,
    changes: tuple[str, ...],
    from_book: FromBook,
    workers: int,
    scheduler: str | None,
    record: Path | None,
    rig: str | None,
    **given: Any,
) -> int:
    from labkit.cli import study_text
    from labkit.study import written

    if goal in QUESTIONS:
        if not rig:
            raise InputError(f'"{goal}" needs --rig, the sheet or name of the rig it is about')
        asked, _, known = from_book.of_rig(changed(load_rig_or_pickup(rig), changes))
        answer = QUESTIONS[goal].ask(asked, given)
        out.write(
            text=lambda: study_text.answer_text(answer) + known_text(known),
            data=lambda: written.answer_data(answer) | known_data(known),
            csv=lambda: written.answer_csv(answer),
        )
        return 0
    from labkit.study.search.goal import load_goal
    from labkit.study.search.search import run_search

    hint = did_you_mean(goal, [*QUESTIONS, *catalogue().names("goal")])
    for name, value in {"rig": rig, **given}.items():
        if value:
            raise InputError(f"--{name} belongs to the ready questions, and '{goal}' is none.{hint}")
    if changes:
        raise InputError("--set belongs to the ready questions; a goal sheet has a [set] table of its own")
    wanted = load_goal(goal, also=QUESTIONS)
    own, _, known = from_book.of_rig(wanted.rig)
    rewound = [item.name for item in wanted.freedoms if item.name.partition(".")[0] in known]
    if rewound:
        raise InputError(
            f"--book: the goal '{wanted.name}' changes the pickup itself ({join_words(rewound, 'and')}), and the book "
            "speaks of it as it is wound; leave that out of [[vary]], or search without --book"
        )
    wanted = replace(wanted, rig=own)
    with _workers(workers, scheduler) as shared, _Shown("combinations") as shown:
        result = run_search(wanted, workers=shared, watcher=shown.tell, stop=shown.asked, record=record)
    out.write(
        text=lambda: study_text.search_text(result) + known_text(known),
        data=lambda: written.search_data(result) | known_data(known),
        csv=lambda: written.search_csv(result),
        units=written.search_units(result),
    )
    if not result.complete:
        return INTERRUPTED
    return 0 if result.fits else CHECK_FAILED


def _spreads(
    rig: Rig, texts: tuple[str, ...], held: tuple[str, ...], only: bool, built: Mapping[str, BuiltPickup]
) -> dict[str, Any] | None:
    """Spreads by input name; None leaves it to the defaults, with the doubts of built pickups."""
    from labkit.rig.inputs import find_input
    from labkit.study.tolerance.causes import cause_names, cause_spread, column_map
    from labkit.study.tolerance.spread import default_spreads, parse_spread

    if not texts and not held and not only:
        return None
    causes = cause_names(rig, built)
    found = {} if only else column_map(rig, default_spreads(rig), add=True, built=built)[1]
    for text in texts:
        alone = text.strip(" =")
        if alone in causes:  # as the build has it
            found[alone] = cause_spread(rig, alone, built=built)
            continue
        name, words = name_and_value(text, "--vary takes NAME=SPREAD, such as volume.value=10%")
        if name in causes:
            found[name] = cause_spread(rig, name, words, built)
            continue
        item = find_input(rig, name)
        found[item.name] = parse_spread(item, words)
    for name in held:
        item_name = name if name in found else find_input(rig, name).name
        found.pop(item_name, None)
    return found


def _share(text: str) -> float:
    try:
        part = parse_quantity(text if "%" in text else f"{text} %", "1")
    except QuantityError as error:
        raise InputError(f"--least-share: {error}") from None
    if not 0 <= part <= 1:
        raise InputError(f"--least-share lies between 0 and 100 %; got '{text}'")
    return part


def _draw(
    result: Any, bars: dict[str, Any], plot: Path | None, histograms: Path | None, tornado: Path | None, force: bool
) -> None:
    if not (plot or histograms or tornado):
        return
    from labkit.view.curve.plot import write_figure
    from labkit.view.curve.study_plots import band_figure, histogram_figure, tornado_figure

    name = result.study.rig.name
    if plot is not None:
        write_figure(band_figure(result, title=name), plot, overwrite=force)
    if histograms is not None:
        write_figure(histogram_figure(result.measures, title=name), histograms, overwrite=force)
    if tornado is not None:
        if not bars:
            raise InputError("some variants have no peak, so there is no tornado to draw")
        key, swings = next(iter(bars.items()))
        item = next(item for item in result.measures if item.measure.key == key)
        title = f"What moves the {item.measure.name}: {name}"
        drawing = tornado_figure(swings, unit=item.measure.unit, nominal=item.nominal, title=title)
        write_figure(drawing, tornado, overwrite=force)


class _Shown:
    """Progress on one line of standard error, once a job takes longer than a second; and a way to stop it.

    The first interrupt from the keyboard ends the job with what is done so far; the second ends it at once.
    """

    def __init__(self, what: str) -> None:
        self.what = what
        self.began = time.monotonic()
        self.is_open = False
        self.stopping = False
        self.before: Any = None

    def __enter__(self) -> _Shown:
        if threading.current_thread() is threading.main_thread():
            self.before = signal.signal(signal.SIGINT, self._interrupted)
        return self

    def _interrupted(self, *_: object) -> None:
        if self.stopping:
            raise KeyboardInterrupt
        self.stopping = True

    def asked(self) -> bool:
        """Say whether the job shall end."""
        return self.stopping

    def tell(self, progress: Progress) -> None:
        """Show how far things are."""
        if sys.stderr.isatty() and time.monotonic() - self.began > QUIET_S:
            click.echo(f"\r{self.what}: {progress.text}   ", err=True, nl=False)
            self.is_open = True

    def __exit__(self, *_: object) -> None:
        if self.before is not None:
            signal.signal(signal.SIGINT, self.before)
        if self.is_open:
            click.echo("\r" + " " * 60 + "\r", err=True, nl=False)
