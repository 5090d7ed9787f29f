"""Files at true level against the predicted level; docs/reference/takes.md has all strings and swaps."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.sound.take_study import NOTES, predicted_db, rendered_db


@pytest.mark.parametrize(("swap", "note"), [("alnico 2", "E4"), ("alnico 8", "G3"), ("alnico 5 at half charge", "E2")])
def test_a_magnet_swap_changes_the_file_by_the_predicted_level(swap: str, note: str, tmp_path: Path) -> None:
    string = NOTES.index(note)
    predicted = predicted_db(swap, string)
    assert abs(predicted) > 0.5  # else a take that ignores magnets would pass
    # 0.1 dB: what the beat of the two directions of swing and the window of the analysis may leave
    assert rendered_db(swap, string, tmp_path) == pytest.approx(predicted, abs=0.1)
