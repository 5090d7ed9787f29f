"""Reference cases: published and measured numbers that the models are held against."""

from labkit.cases.case import Case, Expected, read_case
from labkit.cases.runner import Outcome, check_functions, load_cases, run_cases
from labkit.cases.summary import MODELS, ModelSummary, share_text, summary_by_model, used_share

__all__ = [
    "MODELS",
    "Case",
    "Expected",
    "ModelSummary",
    "Outcome",
    "check_functions",
    "load_cases",
    "read_case",
    "run_cases",
    "share_text",
    "summary_by_model",
    "used_share",
]
