"""``bench log``: sweep files of an invented instrument, in which every number bears its name.

saltmarsh bench log 1
measured = impedance
f=100;z=6010.5;p=2.1
f=112;z=6012.0;p=2.4
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labkit.bench.read.sweep import Sweep
from labkit.bench.read.sweep_reader import ReadingChoices
from labkit.core.errors import InputError, did_you_mean, join_words

FIRST_LINE = "saltmarsh bench log 1"
KINDS = ("impedance", "divider", "exciter")
_ROW = re.compile(r"f=([^;]+);z=([^;]+)(?:;p=([^;]+))?")


@dataclass(frozen=True, slots=True)
class BenchLogReader:
    """Reads files that begin with the log's own line, whatever their name."""

    is_general: bool = False

    def recognises(self, path: Path, start: bytes) -> bool:
        """Say whether the file begins as a bench log does."""
        return start.startswith(FIRST_LINE.encode())

    def read(self, path: Path, choices: ReadingChoices) -> Sweep:
        """Read the file."""
        try:
            lines = path.read_text(encoding="utf-8").splitlines()
        except UnicodeDecodeError:
            raise InputError(f"{path.name}: is no bench log (not UTF-8 text)") from None
        if not lines or lines[0].strip() != FIRST_LINE:
            raise InputError(f"{path.name}: a bench log begins with the line '{FIRST_LINE}'")
        kind, rows = choices.kind, []
        for number, line in enumerate(lines[1:], start=2):
            if not line.strip():
                continue
            name, equals, value = (part.strip() for part in line.partition("="))
            if equals and name == "measured":
                if value not in KINDS:
                    raise InputError(
                        f"{path.name}: line {number}: measured is one of {join_words(KINDS, 'or')}; got '{value}'."
                        f"{did_you_mean(value, KINDS, listing=False)}"
                    )
                kind = kind or value  # type: ignore[assignment]
                continue
            rows.append(_row(line, f"{path.name}: line {number}"))
        if not rows:
            raise InputError(f"{path.name}: the bench log holds no row such as 'f=100;z=6010.5;p=2.1'")
        frequency, magnitude, phase = np.array(sorted(rows)).T
        return Sweep(
            frequency_hz=frequency,
            magnitude=magnitude,
            phase_deg=phase if np.all(np.isfinite(phase)) else None,
            kind=kind,
            name=path.name,
            understood=(f"bench log, {len(rows)} rows",),
        )


def _row(line: str, where: str) -> tuple[float, float, float]:
    found = _ROW.fullmatch(line.strip())
    try:
        if found is None:
            raise ValueError
        frequency, magnitude, phase = (float(text) if text is not None else float("nan") for text in found.groups())
    except ValueError:
        raise InputError(f"{where}: must read 'f=HERTZ;z=OHM;p=DEGREES'; got '{line.strip()[:40]}'") from None
    return frequency, magnitude, phase
