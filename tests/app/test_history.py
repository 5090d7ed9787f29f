"""Undo, redo, and what counts as one step."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from labkit.app.kit.page_state import History


class Clock:
    """A clock that tests turn by hand."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def test_a_drag_is_one_step():
    clock = Clock()
    history = History(0, clock=clock)
    for value in range(1, 20):
        clock.now += 0.05
        history.move(value, "volume")
    history.undo()
    assert history.state == 0
    assert not history.can_undo


def test_two_gestures_a_second_apart_are_two_steps():
    clock = Clock()
    history = History(0, clock=clock)
    history.move(1, "volume")
    clock.now = 1.01
    history.move(2, "volume")
    history.undo()
    assert history.state == 1


def test_two_controls_are_two_steps_however_fast():
    history = History(0, clock=Clock())
    history.move(1, "volume")
    history.move(2, "tone")
    history.undo()
    assert history.state == 1


def test_a_step_after_undo_starts_anew_and_drops_what_lay_ahead():
    history = History(0, clock=Clock())
    history.move(1, "volume")
    history.undo()
    history.move(5, "volume")
    assert not history.can_redo
    history.undo()
    assert history.state == 0


def test_moving_nowhere_is_no_step():
    history = History(0, clock=Clock())
    history.move(0, "volume")
    assert not history.can_undo


@given(st.lists(st.integers(), min_size=1, max_size=40))
def test_undo_all_the_way_and_redo_all_the_way_end_where_they_began(values):
    history = History("start", clock=Clock())
    for value in values:
        history.move(value)
    last = history.state
    while history.can_undo:
        history.undo()
    assert history.state == "start"
    while history.can_redo:
        history.redo()
    assert history.state == last
