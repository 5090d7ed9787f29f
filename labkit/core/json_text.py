"""JSON as every command and page writes it."""

from __future__ import annotations

import json
from typing import Any


def as_json_text(data: object) -> str:
    """Return JSON text; numbers that are not finite become null.

    >>> as_json_text({"peak": float("nan"), "values": (1.0, 2.5)})
    '{"peak": null, "values": [1.0, 2.5]}'
    """
    return json.dumps(_finite(data), ensure_ascii=False, allow_nan=False)


def _finite(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _finite(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_finite(value) for value in data]
    if isinstance(data, float) and (data != data or data in (float("inf"), float("-inf"))):
        return None
    return data
