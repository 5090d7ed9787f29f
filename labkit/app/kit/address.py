"""The address of a page: the rig, which travels from page to page, and what only this page knows.

The page's own fields are named ``own.NAME``; the menu leaves them behind when it takes the rig along, and so a
page never meets a field of another one. All of it is outside input: `split_query` never fails.
"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import parse_qsl, urlencode

from labkit.app.kit.rig.state import MOST_CHARACTERS, VERSION

OWN = "own."
_MOST_FIELDS = 200
_LONGEST = 400


def split_query(query: str) -> tuple[str, dict[str, str]]:
    """Return the part of an address that is about the rig, and the page's own fields by name.

    >>> split_query("?v=1&volume=3&own.take=E+chord")
    ('v=1&volume=3', {'take': 'E chord'})
    """
    text = query.removeprefix("?")
    if len(text) > MOST_CHARACTERS:
        return text, {}
    try:
        fields = parse_qsl(text, keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="replace")
    except ValueError:
        return text, {}
    own = {name.removeprefix(OWN): value[:_LONGEST] for name, value in fields if name.startswith(OWN)}
    rig = [(name, value) for name, value in fields if not name.startswith(OWN)]
    return urlencode(rig, safe=",;"), own


def join_query(rig_query: str, own: Mapping[str, str]) -> str:
    """Return an address of both; empty where neither says anything.

    >>> join_query("", {"trials": "20"})
    'v=1&own.trials=20'
    """
    if not own:
        return rig_query
    fields = urlencode([(f"{OWN}{name}", value) for name, value in own.items()], safe=",;")
    return f"{rig_query or f'v={VERSION}'}&{fields}"
