"""The phrases that name what is near, and how long a time is."""

from __future__ import annotations

import pytest

from aggregator.config.findings import near, time_words
from aggregator.config.scalars import duration


def test_the_near_name_is_offered_whatever_its_case() -> None:
    assert near("ft-101", ["FT-101", "AT-201"], "There are") == "Write `FT-101`, if that is what was meant"


def test_without_a_near_name_all_are_listed_and_a_long_list_is_cut() -> None:
    assert near("x", ["one", "two"], "There are") == "There are one, two"
    assert near("x", ["one", "two", "three"], "There are", show=2) == "There are one, two, ..."
    assert near("x", [], "There are") == "There are none"


@pytest.mark.parametrize("words", ["250 ms", "30 s", "90 s", "15 min", "2 h", "36 h", "7 d"])
def test_a_time_is_written_as_it_is_read(words: str) -> None:
    assert duration(time_words(duration(words))) == duration(words)
