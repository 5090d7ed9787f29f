"""What has happened to a magnet since it was charged, and what that leaves: minor loops of the demagnetisation curve.

A saturated magnet settles on its curve. An opposing field, or a curve that cold or heat makes lower for a while, drives
it further down; afterwards it comes back along a minor loop, whose slope is the recoil permeability, and never by
itself to the curve. So only the worst of equal events counts, and a magnet that was knocked back on purpose has already
met what would otherwise have taken it unawares. Shock is a plain loss per fall; nothing better was found.

The curve is that of `labkit.pickup.magnetics.magnet`, as H over M; a slice stands at the higher of the two fields that
curve and minor loop ask for its M.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, get_args

import numpy as np

from labkit.core.errors import InputError
from labkit.core.keys import number, quantity, text
from labkit.core.sourced import SourcedValue
from labkit.core.units import UsualRange
from labkit.pickup.magnetics.assembly import Assembly, StandingBar, StandingPole, interaction
from labkit.pickup.magnetics.magnet import REFERENCE_CELSIUS, MagnetGrade
from labkit.pickup.magnetics.slices import SLICES
from labkit.pickup.predict.propagation import Doubtful, Prediction, exactly, propagate
from labkit.pickup.winding.inductance import MU_0

EventKind = Literal["charged", "stabilised", "dropped", "temperature", "stray field"]
EVENTS: tuple[EventKind, ...] = get_args(EventKind)

LOSS_DEVIATION = 0.3
"""Relative standard deviation of what the model says an event takes, from the model alone: an assumption."""

_NEEDS: Mapping[EventKind, str] = {
    "stabilised": "loss",
    "dropped": "times",
    "temperature": "celsius",
    "stray field": "field",
}
_WORDS = {"celsius": "temperature"}
_STEPS = 80
_KNOCKS = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryEvent:
    """One entry of ``[[history]]``, in the order in which things happened.

    Parameters
    ----------
    event : "charged", "stabilised", "dropped", "temperature" or "stray field"
        Charged to saturation; knocked back on purpose; fallen; cooled or warmed and brought back; held against an
        opposing field and taken away.
    loss : float or None
        Part of the level before that was taken on purpose, 0 … 0.9.
    times : int or None
        Falls.
    celsius : float or None, °C
        Coldest or hottest.
    field : float or None, T
        Opposing the magnet, as a meter would read it there without the magnet.
    """

    event: EventKind = text(options=EVENTS, meaning="what happened")
    loss: float | None = quantity(
        "1", default=None, low=0.0, high=0.9, meaning="of `stabilised`: part taken on purpose, measured by the field"
    )
    times: int | None = number(
        default=None, low=1, high=1000, is_whole=True, meaning="of `dropped`: falls from a bench"
    )
    celsius: float | None = quantity(
        "°C", name="temperature", default=None, low=-100.0, high=600.0, meaning="of `temperature`: coldest or hottest"
    )
    field: float | None = quantity(
        "T",
        default=None,
        low=0.0,
        high=1.0,
        usual=UsualRange(low=1e-4, high=0.5),
        meaning="of `stray field`: against the magnet, as read without it",
    )

    def __post_init__(self) -> None:
        needed = _NEEDS.get(self.event)
        for name in ("loss", "times", "celsius", "field"):
            given = getattr(self, name) is not None
            if given != (name == needed):
                word = _WORDS.get(name, name)
                need = f"needs a `{word}`" if name == needed else f"has no `{word}`"
                raise InputError(f"the event '{self.event}' {need}")

    @property
    def words(self) -> str:
        """The event in a few words."""
        if self.event == "stabilised":
            return f"stabilised by {100 * (self.loss or 0.0):g} %"
        if self.event == "dropped":
            return f"dropped {self.times} times" if self.times != 1 else "dropped once"
        if self.event == "temperature":
            return f"brought to {self.celsius:g} °C and back"
        if self.event == "stray field":
            return f"held against {1e3 * (self.field or 0.0):g} mT"
        return "charged to saturation"


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingPoint:
    """Where the magnets of a pickup stand on their curve, in the mean over the volume of those of the first grade.

    Attributes
    ----------
    field : float, A/m
        Their own and their neighbours', negative.
    polarisation : float, T
    """

    field: float
    polarisation: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Aged:
    """What a history leaves of a pickup's magnets.

    Attributes
    ----------
    left : Prediction
        Magnetisation over that of the freshly saturated magnets, 0 … 1, with its causes.
    steps : tuple of (str, float)
        Each event in words and what was left after it, at best guess.
    fresh, now : WorkingPoint
    warnings : tuple of str
        What is not known about an event, and where the model ends.
    """

    left: Prediction
    steps: tuple[tuple[str, float], ...]
    fresh: WorkingPoint
    now: WorkingPoint
    warnings: tuple[str, ...] = ()


def aged(assembly: Assembly, events: tuple[HistoryEvent, ...]) -> Aged:
    """Return what a history leaves of the magnets of an assembly.

    Parameters
    ----------
    assembly : Assembly
        Its poles' and bars' own charges are left out of account: a history begins saturated.
    events : tuple of HistoryEvent
        In order.

    Raises
    ------
    InputError
        If there is no magnet, or the steps do not settle.

    Validity: axial fields, even over each magnet; slow events; no magnet whose curve has changed (heat above the
    grade's highest temperature). Minor loops are straight lines.
    """
    saturated = Assembly(
        poles=tuple(replace(pole, charge=1.0) for pole in assembly.poles),
        bars=tuple(replace(bar, charge=1.0) for bar in assembly.bars),
    )
    return _aged(saturated, events)


@lru_cache(maxsize=32)
def _aged(assembly: Assembly, events: tuple[HistoryEvent, ...]) -> Aged:
    bodies: list[StandingPole | StandingBar] = [*assembly.poles, *assembly.bars]
    grades = tuple(dict.fromkeys(body.grade for body in bodies if body.grade is not None))
    if not grades:
        raise InputError("a history is that of magnets, and there is none: give the poles a `grade`, or a [bar]")
    inputs = {
        "remanence": Doubtful(value=1.0, deviation=_relative(grades, "remanence"), scale="log"),
        "coercivity": Doubtful(value=1.0, deviation=_relative(grades, "coercivity"), scale="log"),
        "recoil permeability": Doubtful(value=1.0, deviation=_relative(grades, "recoil_permeability"), scale="log"),
        "model of the loss": Doubtful(value=1.0, deviation=LOSS_DEVIATION, scale="log"),
    }
    if any(event.event == "temperature" for event in events):
        inputs["coercivity over temperature"] = Doubtful(value=0.0, deviation=1.0)
    if any(event.event == "dropped" for event in events):
        inputs["loss in a fall"] = Doubtful(value=0.0, deviation=1.0)
    nominal = _run(assembly, events, {name: doubt.value for name, doubt in inputs.items()})
    if not events:
        return Aged(left=exactly(1.0), steps=(), fresh=nominal.fresh, now=nominal.now)

    def left(values: dict[str, float]) -> dict[str, float]:
        return {"left": max(_run(assembly, events, values).steps[-1], 0.0)}

    found = propagate(left, inputs, log=False, vectorised=False)["left"]
    return Aged(
        left=Prediction(
            value=min(max(found.value, 0.0), 1.0),
            low=min(max(found.low, 0.0), 1.0),
            high=min(max(found.high, 0.0), 1.0),
            contributions=found.contributions,
        ),
        steps=tuple((event.words, part) for event, part in zip(events, nominal.steps)),
        fresh=nominal.fresh,
        now=nominal.now,
        warnings=_warnings(grades, events, nominal.steps),
    )


def _warnings(grades: Sequence[MagnetGrade], events: Sequence[HistoryEvent], steps: Sequence[float]) -> tuple[str, ...]:
    found = []
    for grade in grades:
        if any(event.event == "dropped" for event in events) and grade.shock_loss is None:
            found.append(f"what a fall costs {grade.name} is unknown: falls are not counted.")
        for event in events:
            if event.celsius is None:
                continue
            if event.celsius > grade.highest_temperature.value:
                found.append(
                    f"{event.celsius:g} °C is above the {grade.highest_temperature.value:g} °C that {grade.name} "
                    "stands: the material itself may change, and what is left is unknown; charge it anew and read it."
                )
            if grade.coercivity_temperature_coefficient is None:
                found.append(f"how the coercivity of {grade.name} changes with temperature is unknown: taken as fixed.")
    if any(event.event == "dropped" for event in events) and any(grade.shock_loss is not None for grade in grades):
        found.append("loss in a fall: an order from memory, no table was found; read the field after a fall.")
    if min(steps, default=1.0) <= 0:
        found.append("an opposing field as strong as that empties or reverses the magnets: nothing is left to predict.")
    return tuple(dict.fromkeys(found))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Outcome:
    steps: tuple[float, ...]
    fresh: WorkingPoint
    now: WorkingPoint


@dataclass(slots=True, kw_only=True)
class _Cells:
    """Magnet cells of an assembly, in their own direction, with curve and minor loop each.

    ``loop`` is the magnetisation of the minor loop at no field and 20 °C; infinite after saturation. ``first`` is the
    part of the volume of the first grade's magnets that a cell has, 0 for others.
    """

    matrix: np.ndarray
    weight: np.ndarray
    first: np.ndarray
    saturation: np.ndarray
    limit: np.ndarray
    shape: np.ndarray
    recoil: np.ndarray
    warming: np.ndarray
    hardening: np.ndarray
    shock: np.ndarray
    loop: np.ndarray

    def settle(self, *, against: float = 0.0, celsius: float = REFERENCE_CELSIUS) -> np.ndarray:
        """Magnetisation in an opposing field (A/m), by damped Newton steps on H; moves the minor loops."""
        weaker = 1 + self.warming * (celsius - REFERENCE_CELSIUS)
        limit = self.limit * (1 + self.hardening * (celsius - REFERENCE_CELSIUS))
        saturation = self.saturation * weaker
        state = np.minimum(0.3 * saturation, 0.9 * np.where(np.isfinite(self.loop), self.loop * weaker, np.inf))
        ceiling = saturation / np.maximum(self.shape, 1.0)

        def asked(trial: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            room = saturation - self.shape * trial
            curve = limit * (trial - saturation) / room
            slope = limit * saturation * (1 - self.shape) / room**2
            loop = np.where(np.isfinite(self.loop), (trial - self.loop * weaker) / self.recoil, -np.inf)
            on_loop = loop > curve
            return np.where(on_loop, loop, curve), np.where(on_loop, 1 / self.recoil, slope)

        field, slope = asked(state)
        error = self.matrix @ state - against - field
        for _ in range(_STEPS):
            change = np.linalg.solve(self.matrix - np.diag(slope), -error)
            size = 1.0
            while size > 1e-7:
                trial = state + size * change
                if np.all(trial < ceiling):
                    field, trial_slope = asked(trial)
                    trial_error = self.matrix @ trial - against - field
                    if np.linalg.norm(trial_error) < np.linalg.norm(error):
                        break
                size /= 2
            else:
                break
            state, error, slope = trial, trial_error, trial_slope
            if np.max(np.abs(change) / saturation) < 1e-8:
                break
        if np.linalg.norm(error) > 1e-4 * float(limit.max()):
            raise InputError("what this history leaves of the magnets did not settle; check fields and temperatures")
        inside = self.matrix @ state - against
        self.loop = np.minimum(self.loop, (state - self.recoil * inside) / weaker)
        return state

    def mean(self, state: np.ndarray) -> float:
        return float(self.weight @ state)


def _run(assembly: Assembly, events: Sequence[HistoryEvent], values: Mapping[str, float]) -> _Outcome:
    cells = _cells(assembly, values)
    state = cells.settle()
    full = cells.mean(state)
    fresh = _point(cells, state)
    now, found = full, []
    for event in events:
        before = now
        if event.event == "charged":
            cells.loop[:] = np.inf
            state = cells.settle()
        elif event.event == "stabilised":
            state = _knocked_back(cells, (1 - (event.loss or 0.0)) * before)
        elif event.event == "dropped":
            cells.loop *= (1 - cells.shock) ** (event.times or 0)
            state = cells.settle()
        else:
            state = _after(cells, event)
        now = cells.mean(state)
        if event.event in ("temperature", "stray field"):
            now = before - (before - now) * values["model of the loss"]
            if before > 0 and cells.mean(state) > 0:
                cells.loop *= now / cells.mean(state)
                state = cells.settle()
                now = cells.mean(state)
        found.append(now / full)
    return _Outcome(steps=tuple(found), fresh=fresh, now=_point(cells, state))


def _after(cells: _Cells, event: HistoryEvent) -> np.ndarray:
    if event.celsius is not None:
        cells.settle(celsius=event.celsius)
    else:
        cells.settle(against=(event.field or 0.0) / MU_0)
    return cells.settle()


def _knocked_back(cells: _Cells, wanted: float) -> np.ndarray:
    """Bring the mean magnetisation down to what is wanted by the opposing field that leaves it, by bisection."""
    start = cells.loop.copy()
    low, high = 0.0, 2.0 * float(cells.limit.max())
    state = cells.settle()
    for _ in range(_KNOCKS):
        middle = (low + high) / 2
        cells.loop = start.copy()
        cells.settle(against=middle)
        state = cells.settle()
        low, high = (middle, high) if cells.mean(state) > wanted else (low, middle)
    if cells.mean(state) > 0:
        cells.loop *= wanted / cells.mean(state)  # what bisection leaves over
        state = cells.settle()
    return state


def _point(cells: _Cells, state: np.ndarray) -> WorkingPoint:
    return WorkingPoint(field=float(cells.first @ cells.matrix @ state), polarisation=MU_0 * float(cells.first @ state))


def _cells(assembly: Assembly, values: Mapping[str, float]) -> _Cells:
    matrix = interaction(assembly)
    bodies: list[StandingPole | StandingBar] = [*assembly.poles, *assembly.bars]
    counts = [SLICES] * len(assembly.poles) + [1] * len(assembly.bars)
    magnets = np.repeat([body.grade is not None for body in bodies], counts)
    reduced = matrix[np.ix_(magnets, magnets)]
    soft = [pole for pole in assembly.poles if pole.grade is None]
    if soft:
        steel = ~magnets
        inverse = np.repeat([1 / (pole.permeability - 1) for pole in soft], SLICES)
        follows = np.linalg.solve(np.diag(inverse) - matrix[np.ix_(steel, steel)], matrix[np.ix_(steel, magnets)])
        reduced = reduced + matrix[np.ix_(magnets, steel)] @ follows
    rows, volumes, signs = [], [], []
    grades: list[MagnetGrade] = []
    for body, count in zip(bodies, counts):
        grade = body.grade
        if grade is None:
            continue
        over = grade.coercivity_temperature_coefficient
        shock = grade.shock_loss
        rows += [
            (
                values["remanence"] * grade.remanence.value / MU_0,
                values["coercivity"] * grade.coercivity.value,
                grade.shape,
                values["recoil permeability"] * grade.recoil_permeability.value - 1,
                grade.temperature_coefficient.value,
                0.0 if over is None else over.value + values.get("coercivity over temperature", 0.0) * _deviation(over),
                0.0 if shock is None else _shock(shock.value, _deviation(shock), values.get("loss in a fall", 0.0)),
            )
        ] * count
        volumes += [body.volume] if isinstance(body, StandingBar) else list(body.volumes)
        signs += [body.sign] * count
        grades += [grade] * count
    sign, weight = np.array(signs, dtype=float), np.array(volumes)
    first = np.where([grade == grades[0] for grade in grades], weight, 0.0)
    columns = np.array(rows).T
    saturation, limit, shape, recoil, warming, hardening, shock = (column.copy() for column in columns)
    return _Cells(
        matrix=reduced * np.outer(sign, sign),
        weight=weight / weight.sum(),
        first=first / first.sum(),
        saturation=saturation,
        limit=limit,
        shape=shape,
        recoil=recoil,
        warming=warming,
        hardening=hardening,
        shock=shock,
        loop=np.full(len(rows), np.inf),
    )


def _deviation(value: SourcedValue) -> float:
    return (value.spread or 0.0) / 2


def _shock(value: float, deviation: float, steps: float) -> float:
    """A loss that cannot be below nothing: its doubt counts as a ratio."""
    return value * math.exp(steps * min(deviation / value, 1.0)) if value > 0 else 0.0


def _relative(grades: Sequence[MagnetGrade], part: str) -> float:
    values: list[SourcedValue] = [getattr(grade, part) for grade in grades]
    return max(_deviation(value) / value.value for value in values)
