"""Generated documentation is as the code makes it today."""

from __future__ import annotations

import pytest

from docs.tools import wirings
from tests.docs.alike import alike


def test_the_gallery_of_wirings_is_fresh():
    generated = wirings.generate()
    for path, text in generated.items():
        assert path.is_file(), f"{path.name} is missing: run python -m docs.tools.wirings"
        # a fifth of a pixel, or a unit in the last printed place of a word's number
        assert alike(path.read_text(encoding="utf-8"), text, tolerance=0.2), (
            f"{path.name}: run python -m docs.tools.wirings"
        )
    kept = set(wirings.PICTURES.glob("*.svg"))
    assert kept <= set(generated), "pictures of wirings that are gone: run python -m docs.tools.wirings"


@pytest.mark.parametrize(
    ("one", "other", "same"), [("x 1.0", "x 1.1", True), ("x 1.0", "x 1.5", False), ("x 1", "y 1", False)]
)
def test_the_comparison_itself_can_fail(one, other, same):
    assert alike(one, other, tolerance=0.2) is same
