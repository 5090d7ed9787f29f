"""Runs reference cases and passes a verdict on each expected number."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from labkit.cases.case import Case, Expected
from labkit.catalogue import Catalogue, catalogue
from labkit.core.errors import InputError, LabkitError, did_you_mean
from labkit.plugins import plugins

Verdict = Literal["within", "outside", "known gap", "known gap closed", "not run"]
Check = Callable[[Mapping[str, Any]], Mapping[str, float]]


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Outcome:
    """One expected number and what labkit makes of it.

    ``verdict``: "within" or "outside" the tolerance; "known gap" when a failure is expected, "known gap closed" when
    such a case holds after all (then its reason must go); "not run" when the check could not be made, with ``note``.
    """

    case: Case
    expected: Expected
    got: float
    verdict: Verdict
    note: str = ""

    def __repr__(self) -> str:
        found = self.expected
        return f"<Outcome of '{self.case.id}', {found.quantity}: {self.got:.6g} {found.unit}, {self.verdict}>"

    @property
    def is_failure(self) -> bool:
        """Say whether this outcome must stop a release."""
        return self.verdict in ("outside", "known gap closed", "not run")

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "id": self.case.id,
            "claim": self.case.claim,
            "source": self.case.source,
            "role": self.case.role,
            "quantity": self.expected.quantity,
            "expected": self.expected.value,
            "got": self.got,
            "unit": self.expected.unit,
            "tolerance": self.expected.tolerance,
            "tolerance_kind": self.expected.tolerance_kind,
            "model": self.case.model,
            "how": self.case.how,
            "verdict": self.verdict,
            "note": self.note or self.case.known_gap,
        }


def check_functions() -> dict[str, Check]:
    """Return every check function by name, the built-ins' and plugins'."""
    found = plugins().things("labkit_case_checks", check=_not_a_check)
    return {name: brought.thing for name, brought in found.items()}


def _not_a_check(thing: object) -> str:
    return "" if callable(thing) else "a function from the inputs of a case to quantities by name"


def load_cases(found: Catalogue | None = None) -> tuple[Case, ...]:
    """Return every case of the catalogue, in the order of the files."""
    known = catalogue() if found is None else found
    return tuple(known.load("case", name) for name in known.usable_names("case"))


def run_cases(cases: Iterable[Case]) -> Iterator[Outcome]:
    """Run cases one by one; a check that fails gives "not run" outcomes with the reason."""
    checks = check_functions()
    for case in cases:
        if case.check not in checks:
            yield from _not_run(case, f"no check is named '{case.check}'.{did_you_mean(case.check, checks)}")
            continue
        try:
            got: object = checks[case.check](case.inputs)
        except Exception as error:  # a check of a plugin may raise anything; the other cases still run
            reason = f"the inputs lack {error}" if isinstance(error, KeyError) else _reason(error)
            yield from _not_run(case, reason)
            continue
        if not isinstance(got, Mapping):
            yield from _not_run(case, f"the check '{case.check}' must return numbers by name")
            continue
        for expected in case.expected:
            yield _judge(case, expected, got)


def _judge(case: Case, expected: Expected, got: Mapping[str, float]) -> Outcome:
    if expected.quantity not in got:
        note = f"the check '{case.check}' gives no '{expected.quantity}'.{did_you_mean(expected.quantity, got)}"
        return Outcome(case=case, expected=expected, got=math.nan, verdict="not run", note=note)
    value = float(got[expected.quantity])
    met = expected.is_met(value)
    verdicts: tuple[Verdict, Verdict] = ("known gap closed", "known gap") if case.known_gap else ("within", "outside")
    verdict = verdicts[0] if met else verdicts[1]
    return Outcome(case=case, expected=expected, got=value, verdict=verdict)


def _reason(error: Exception) -> str:
    return str(error) if isinstance(error, LabkitError) else f"the check failed: {type(error).__name__}: {error}"


def _not_run(case: Case, note: str) -> Iterator[Outcome]:
    for expected in case.expected:
        yield Outcome(case=case, expected=expected, got=math.nan, verdict="not run", note=note)


def named_cases(names: Iterable[str]) -> tuple[Case, ...]:
    """Return the cases of the given ids, and all of a file by its name; InputError with the nearest name otherwise."""
    known = catalogue()
    cases = {case.id: case for case in load_cases(known)}
    in_file: dict[str, list[str]] = {}
    for name in cases:
        in_file.setdefault(known.item("case", name).path.stem, []).append(name)
    chosen: dict[str, Case] = {}
    for name in names:
        ids = [name] if name in cases else in_file.get(name.removesuffix(".toml"))
        if ids is None:
            raise InputError(
                f"no reference case, and no file of them, is named '{name}'.{did_you_mean(name, [*cases, *in_file])}"
            )
        chosen |= {each: cases[each] for each in ids}
    return tuple(chosen.values())
