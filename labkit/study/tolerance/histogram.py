"""Histograms with fixed bins for many rows at once: quantiles of any number of values in bounded memory.

Counts are whole numbers, so adding them up in any order gives the same result. A quantile is interpolated inside its
bin and so is right within one bin, which is the range over the number of bins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

BINS = 1024


@dataclass(frozen=True, slots=True, eq=False)
class Bins:
    """Ranges of rows of values, each cut into equal bins; what lies outside is counted in the first or last bin.

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
