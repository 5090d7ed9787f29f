"""Reference cases: published and measured numbers that the models are held against."""

from labkit.cases.case import Case, Expected, read_case
from labkit.cases.runner import Outcome, check_functions, load_cases, run_cases

__all__ = ["Case", "Expected", "Outcome", "check_functions", "load_cases", "read_case", "run_cases"]
