"""What tolerances do to a rig: bands of its curve, spreads of resonance, height and level, the share in a window.

The study is a row of cells of variants (see `labkit.study.tolerance.draws`). Each is drawn, solved in batches and
counted into histograms, so memory does not grow with the number of variants; cells are added in order, so neither the
number of workers nor a pause in between changes a digit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from labkit.circuit.solve import fast
from labkit.circuit.solve.solver import solve, solve_blocks
from labkit.core.errors import InputError
from labkit.pickup.predict.built import BuiltPickup
from labkit.rig.rig import Rig
from labkit.rig.variation import Variation
from labkit.study.measures import (
    HEIGHT,
    LEVEL,
    RESONANCE,
    Measure,
    Window,
    decibels,
    noise_levels,
    read_measures,
    study_grid,
)
from labkit.study.tolerance.causes import NOT_KNOWN, ColumnMap, column_map
from labkit.study.tolerance.draws import CELL, SAMPLINGS, Sampling, cell_draws, cell_size, cells_of
from labkit.study.tolerance.result import VARIANTS, MeasureSpread, ToleranceResult
from labkit.study.tolerance.spread import Spread, checked_spreads, default_spreads
from labkit.study.work.reduction import State, fingerprint, reduce_chunks
from labkit.study.work.work import Watcher, Workers

BANDS = (0.05, 0.5, 0.95)
PILOT = 256
"""Variants of the first cell from which the ranges of the histograms are taken."""

REDUCED_POINTS = 1 << 17
"""Points (variants × frequencies) reduced at a time: two arrays of a megabyte."""

CELLS_OF_A_CHUNK = 2
MOST_CELLS = 32
ENOUGH_CHUNKS = 256
"""A larger study has larger chunks: what one process adds up is the same for each, and limits how many workers help."""

DEFAULT_COUNT = 10_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToleranceStudy:
    """A study made ready: everything that a worker needs, and nothing that changes. Made by `tolerance_study`."""

    rig: Rig
    variation: Variation
    columns: ColumnMap
    spreads: tuple[Spread, ...]
    count: int
    seed: int
    sampling: Sampling
    frequency_hz: np.ndarray
    measures: tuple[Measure, ...]
    windows: tuple[Window, ...]
    nominal_db: np.ndarray
    nominal: np.ndarray
    is_compiled: bool = False
    curve_bins: Bins | None = None
    measure_bins: Bins | None = None

    @property
    def chunks(self) -> int:
        """Number of chunks."""
        return math.ceil(cells_of(self.count) / self.chunk_cells)

    @property
    def chunk_cells(self) -> int:
        """Number of cells of a chunk."""
        return min(max(CELLS_OF_A_CHUNK, cells_of(self.count) // ENOUGH_CHUNKS), MOST_CELLS)

    @property
    def fingerprint(self) -> str:
        """What the study is; two studies of one fingerprint give one result."""
        return fingerprint(
            self.rig,
            sorted((name, value, sorted(parts.items())) for name, (value, parts) in self.columns.moved.items()),
            [repr(spread) for spread in self.spreads],
            self.count,
            self.seed,
            self.sampling,
            self.frequency_hz.tolist(),
            [repr(item) for item in (*self.measures, *self.windows)],
            [CELL, self.chunk_cells],
            *(["compiled"] if self.is_compiled else []),
        )

    def draws(self, cell: int, size: int | None = None) -> dict[str, np.ndarray]:
        """Return the drawn numbers of a cell, by spread name, SI."""
        size = cell_size(cell, self.count) if size is None else size
        table = cell_draws(cell, size, len(self.spreads), seed=self.seed, sampling=self.sampling)
        return {spread.name: spread.quantile(table[:, place]) for place, spread in enumerate(self.spreads)}

    def element_values(self, drawn: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return element values of drawn numbers, for the solver."""
        return self.variation.values(self.columns.values(drawn))

    def __call__(self, chunk: int) -> State:
        """Compute one chunk."""
        first = chunk * self.chunk_cells
        state = _empty(self)
        for cell in range(first, min(first + self.chunk_cells, cells_of(self.count))):
            state = _added(state, self._cell(cell))
        for name in ("curve", "measure"):
            # Counts of a chunk are small: what travels between processes is a quarter of what is added up.
            state[name] = state[name].astype(np.min_scalar_type(int(state[name].max())))
        return state

    def _cell(self, cell: int) -> State:
        values = self.element_values(self.draws(cell))
        size = cell_size(cell, self.count)
        state = _empty(self)
        state["sums"] = np.zeros((1, len(self.measures)))
        rows = max(REDUCED_POINTS // self.frequency_hz.size, 1)
        levels = np.empty((rows, self.frequency_hz.size))
        filled = reduced = 0
        noise = noise_levels(self.measures, self.variation.circuit, values, size)
        for _, curves in _blocks(self, values, size):
            done = 0
            while done < len(curves):
                take = min(len(curves) - done, rows - filled)
                levels[filled : filled + take] = decibels(curves[done : done + take])
                filled, done = filled + take, done + take
                if filled == rows:
                    self._reduce(state, levels, noise[:, reduced : reduced + filled])
                    reduced += filled
                    filled = 0
        if filled:
            self._reduce(state, levels[:filled], noise[:, reduced:])
        return state

    def _reduce(self, state: State, levels: np.ndarray, noise: np.ndarray) -> None:
        assert self.curve_bins is not None
        assert self.measure_bins is not None
        state["least"] = np.minimum(state["least"], levels.min(axis=0))
        state["greatest"] = np.maximum(state["greatest"], levels.max(axis=0))
        self.curve_bins.add(state["curve"], levels.T)
        found = read_measures(self.measures, self.frequency_hz, levels, noise)
        state["count"] += levels.shape[0]
        inside = np.ones(levels.shape[0], dtype=bool)
        for place, window in enumerate(self.windows):
            row = found[self.measures.index(window.measure)]
            holds = (row >= window.low) & (row <= window.high)
            state["window"][place] += np.count_nonzero(holds)
            inside &= holds
        state["inside"] += np.count_nonzero(inside)
        for place, row in enumerate(found):
            known = row[~np.isnan(row)]
            state["known"][place] += known.size
            if known.size:
                state["measure_least"][place] = min(state["measure_least"][place], known.min())
                state["measure_greatest"][place] = max(state["measure_greatest"][place], known.max())
                state["sums"][-1, place] += known.sum()
        self.measure_bins.add(state["measure"], found)


def _blocks(study: ToleranceStudy, values: Mapping[str, np.ndarray], size: int) -> Iterator[tuple[slice, np.ndarray]]:
    if values:
        return solve_blocks(study.variation.circuit, study.frequency_hz, values, is_compiled=study.is_compiled)
    curve = solve(study.variation.circuit, study.frequency_hz).transfer
    return iter([(slice(0, size), np.broadcast_to(curve, (size, curve.size)))])


def tolerance_study(
    rig: Rig,
    spreads: Mapping[str, Spread] | None = None,
    *,
    count: int = DEFAULT_COUNT,
    seed: int = 1,
    sampling: Sampling = "sobol",
    points: int = 256,
    measures: Sequence[Measure] = (),
    windows: Sequence[Window] = (),
    built: Mapping[str, BuiltPickup] = NOT_KNOWN,
) -> ToleranceStudy:
    """Make a tolerance study ready.

    Parameters
    ----------
    rig : Rig
    spreads : mapping of str to Spread, optional
        By input name; `default_spreads` (and the doubts of built pickups) where left out.
    count : int
        Variants.
    seed : int
        The same seed gives the same variants, anywhere.
    sampling : "sobol" or "random"
    points : int
        Frequencies, 50 Hz to 20 kHz.
    measures : sequence of Measure
        Beyond resonance, height and level.
    windows : sequence of Window
        What a good variant must keep.
    built : mapping of str to BuiltPickup
        By slot: pickups whose doubts are those of a workshop's own records.

    Raises
    ------
    InputError
        If an input is unknown or a number impossible.
    """
    VARIANTS.check(count)
    if sampling not in SAMPLINGS:
        raise InputError(f"sampling is sobol or random; got '{sampling}'")
    if seed < 0:
        raise InputError(f"a seed is 0 or more; got {seed}")
    usual = default_spreads(rig) if spreads is None else spreads
    columns, wanted = column_map(rig, usual, add=spreads is None, built=built)
    wanted = checked_spreads(rig, wanted)
    asked = (*measures, *(window.measure for window in windows))
    every = tuple(dict.fromkeys((Measure(RESONANCE), Measure(HEIGHT), Measure(LEVEL), *asked)))
    grid = study_grid(points, every)
    variation = Variation(rig, columns.ranges(wanted))
    nominal_db = decibels(solve(rig.circuit, grid).transfer)
    nominal_noise = noise_levels(every, rig.circuit)
    study = ToleranceStudy(
        rig=rig,
        variation=variation,
        columns=columns,
        spreads=tuple(wanted.values()),
        count=count,
        seed=seed,
        sampling=sampling,
        frequency_hz=grid,
        measures=every,
        windows=tuple(windows),
        is_compiled=fast.pays(count * grid.size),
        nominal_db=nominal_db,
        nominal=read_measures(every, grid, nominal_db[None], nominal_noise)[:, 0],
    )
    return _with_bins(study)


def _with_bins(study: ToleranceStudy) -> ToleranceStudy:
    size = min(PILOT, cell_size(0, study.count))
    values = study.element_values(study.draws(0, size))
    levels = np.concatenate([decibels(curves) for _, curves in _blocks(study, values, size)])
    levels = np.concatenate([levels, study.nominal_db[None]])
    noise = noise_levels(study.measures, study.variation.circuit, values, size)
    noise = np.concatenate([noise, noise_levels(study.measures, study.rig.circuit)], axis=1)
    found = read_measures(study.measures, study.frequency_hz, levels, noise)
    found = np.where(np.all(np.isnan(found), axis=1, keepdims=True), 0.0, found)
    return replace(study, curve_bins=Bins.around(levels.T), measure_bins=Bins.around(found))


def _empty(study: ToleranceStudy) -> State:
    assert study.curve_bins is not None
    assert study.measure_bins is not None
    points, measures = study.frequency_hz.size, len(study.measures)
    return {
        "curve": np.zeros((points, study.curve_bins.count), dtype=np.int64),
        "least": np.full(points, np.inf),
        "greatest": np.full(points, -np.inf),
        "measure": np.zeros((measures, study.measure_bins.count), dtype=np.int64),
        "measure_least": np.full(measures, np.inf),
        "measure_greatest": np.full(measures, -np.inf),
        "known": np.zeros(measures, dtype=np.int64),
        "window": np.zeros(len(study.windows), dtype=np.int64),
        "inside": np.zeros((), dtype=np.int64),
        "count": np.zeros((), dtype=np.int64),
        "sums": np.zeros((0, measures)),
    }


def _added(state: State, part: State) -> State:
    joined = {name: state[name] + part[name] for name in ("curve", "measure", "known", "window", "inside", "count")}
    joined |= {name: np.minimum(state[name], part[name]) for name in ("least", "measure_least")}
    joined |= {name: np.maximum(state[name], part[name]) for name in ("greatest", "measure_greatest")}
    # One row a cell, summed at the end in order: sums of sums would depend on how cells were gathered into chunks.
    return joined | {"sums": np.concatenate([state["sums"], part["sums"]])}


def run_tolerance(
    study: ToleranceStudy,
    *,
    workers: Workers = None,
    watcher: Watcher | None = None,
    stop: Callable[[], bool] | None = None,
    record: Path | None = None,
) -> ToleranceResult:
    """Run a study.

    Parameters
    ----------
    study : ToleranceStudy
    workers : int, Executor or None
        As in `labkit.study.work.work.run_chunks`; does not change the result.
    watcher : callable, optional
        Told how far the study is.
    stop : callable, optional
        Asked after every chunk; True ends the study with what is done (and recorded).
    record : Path, optional
        File to go on from after an interruption; removed when the study is complete.

    Returns
    -------
    ToleranceResult

    Raises
    ------
    InputError
        If ``record`` belongs to another study, or the study was stopped before anything was done.
    """
    state, complete = reduce_chunks(
        study,
        study.chunks,
        _empty(study),
        _added,
        fingerprint=study.fingerprint,
        workers=workers,
        watcher=watcher,
        stop=stop,
        record=record,
    )
    return _result(study, state, complete)


def _result(study: ToleranceStudy, state: State, complete: bool) -> ToleranceResult:
    assert study.curve_bins is not None
    assert study.measure_bins is not None
    parts, count = np.array(BANDS), int(state["count"])
    if not count:
        raise InputError("the study was stopped before its first variants were done")
    quantiles = study.measure_bins.quantiles(state["measure"], parts, state["measure_least"], state["measure_greatest"])
    measures = []
    for place, measure in enumerate(study.measures):
        known = int(state["known"][place])
        bins = study.measure_bins
        total = math.fsum(state["sums"][:, place].tolist())
        measures.append(
            MeasureSpread(
                measure=measure,
                nominal=float(study.nominal[place]),
                mean=total / known if known else math.nan,
                low=float(quantiles[0, place]),
                median=float(quantiles[1, place]),
                high=float(quantiles[2, place]),
                least=float(state["measure_least"][place]) if known else math.nan,
                greatest=float(state["measure_greatest"][place]) if known else math.nan,
                within=float(bins.width[place]),
                found=known,
                edges=bins.low[place] + bins.width[place] * np.arange(bins.count + 1),
                counts=state["measure"][place],
            )
        )
    return ToleranceResult(
        study=study,
        count=count,
        complete=complete,
        bands_db=study.curve_bins.quantiles(state["curve"], parts, state["least"], state["greatest"]),
        extremes_db=np.stack([state["least"], state["greatest"]]),
        within_db=float(np.max(study.curve_bins.width)),
        measures=tuple(measures),
        share=int(state["inside"]) / count if study.windows else None,
        shares=tuple((window, int(state["window"][place]) / count) for place, window in enumerate(study.windows)),
    )


BINS = 1024


@dataclass(frozen=True, slots=True, eq=False)
class Bins:
    """Ranges of rows of values, each cut into equal bins; what lies outside is counted in the first or last bin.

    Quantiles of any number of values in bounded memory: counts are whole numbers, so adding them up in any order gives
    the same result; a quantile is interpolated inside its bin and so is right within one bin.

    Attributes
    ----------
    low, high : ndarray, shape (rows,)
    count : int
    """

    low: np.ndarray
    high: np.ndarray
    count: int = BINS

    @classmethod
    def around(cls, values: np.ndarray, *, margin: float = 0.75, least: float = 1e-6) -> Bins:
        """Ranges that hold some trial values of every row, shape (rows, V), and ``margin`` of their span beyond."""
        low, high = np.nanmin(values, axis=1), np.nanmax(values, axis=1)
        reach = margin * (high - low) + least
        return cls(low - reach, high + reach)

    def add(self, counts: np.ndarray, values: np.ndarray) -> None:
        """Count values, shape (rows, V), into ``counts``, shape (rows, count); NaN is left out."""
        rows = values.shape[0]
        place = values - self.low[:, None]
        place *= (self.count / (self.high - self.low))[:, None]
        np.clip(place, 0, self.count - 1, out=place)
        index = np.empty_like(place, dtype=np.int64)
        with np.errstate(invalid="ignore"):  # NaN becomes some number, and is left out below
            np.copyto(index, place, casting="unsafe")
        index += (np.arange(rows) * self.count)[:, None]
        missing = np.isnan(place)
        # Any order will do for counting: that of the memory is the fastest.
        flat = index[~missing] if missing.any() else index.ravel(order="K")
        counts += np.bincount(flat, minlength=rows * self.count).reshape(rows, self.count)

    @property
    def width(self) -> np.ndarray:
        """Width of a bin, shape (rows,): the largest error of a quantile."""
        found: np.ndarray = (self.high - self.low) / self.count
        return found

    def quantiles(self, counts: np.ndarray, parts: np.ndarray, least: np.ndarray, greatest: np.ndarray) -> np.ndarray:
        """Return quantiles, shape (parts, rows); NaN for rows without values.

        Parameters
        ----------
        counts : ndarray, shape (rows, count)
        parts : ndarray, shape (parts,), 0 … 1
        least, greatest : ndarray, shape (rows,)
            Smallest and greatest value met, which no quantile passes.
        """
        rows = counts.shape[0]
        found = np.full((len(parts), rows), np.nan)
        summed = np.concatenate([np.zeros((rows, 1)), np.cumsum(counts, axis=1)], axis=1)
        for row in range(rows):
            total = summed[row, -1]
            if not total:
                continue
            edges = self.low[row] + self.width[row] * np.arange(self.count + 1)
            rising = np.concatenate([[True], np.diff(summed[row]) > 0])
            # The last edge of an empty run below a filled bin is that bin's lower edge.
            keep = rising | np.concatenate([rising[1:], [False]])
            found[:, row] = np.clip(np.interp(parts * total, summed[row][keep], edges[keep]), least[row], greatest[row])
        return found
