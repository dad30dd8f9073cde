"""The loss of a day, by hours."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.loss import HOUR, HOURS, Loss

DAY = HOUR * HOURS


def test_nothing_is_known_before_the_first_frame() -> None:
    assert Loss().over_a_day() is None


def test_loss_is_the_part_of_all_frames_that_never_came() -> None:
    loss = Loss()
    loss.note(1000.0, 3, 1)
    assert loss.over_a_day() == pytest.approx(25.0)


def test_what_is_a_day_old_no_longer_counts() -> None:
    loss = Loss()
    loss.note(0.0, 1, 9)
    loss.note(DAY - 1, 1, 0)
    assert loss.over_a_day() == pytest.approx(100 * 9 / 11)
    loss.note(DAY, 1, 0)
    assert loss.over_a_day() == 0.0


def test_a_late_frame_corrects_the_hour_in_which_it_was_missed() -> None:
    loss = Loss()
    loss.note(1.5 * HOUR, 1, 1)
    loss.note(2.5 * HOUR, 1, 0)
    loss.note(1.5 * HOUR, 1, -1)
    assert loss.over_a_day() == 0.0


def test_a_frame_older_than_the_day_changes_nothing() -> None:
    loss = Loss()
    loss.note(10 * DAY, 1, 1)
    loss.note(8 * DAY, 5, 5)
    assert loss.over_a_day() == 50.0


@given(st.lists(st.tuples(st.floats(0, 4 * DAY), st.integers(0, 3)), min_size=1))
def test_the_ring_counts_as_a_plain_list_does(frames: list[tuple[float, int]]) -> None:
    """Held against a count of the whole list: the newest hour and the 23 before it."""
    loss = Loss()
    for heard, lost in frames:
        loss.note(heard, 1, lost)
    newest = max(int(heard // HOUR) for heard, _ in frames)
    within = [(heard, lost) for heard, lost in frames if int(heard // HOUR) > newest - HOURS]
    lost = sum(each for _, each in within)
    assert loss.over_a_day() == pytest.approx(100 * lost / (len(within) + lost))
