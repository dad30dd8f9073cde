"""The phrases that say how long a time is."""

from __future__ import annotations

import pytest

from aggregator.config.findings import time_words
from aggregator.config.scalars import duration


@pytest.mark.parametrize("words", ["250 ms", "30 s", "90 s", "15 min", "2 h", "36 h", "7 d"])
def test_a_time_is_written_as_it_is_read(words: str) -> None:
    assert duration(time_words(duration(words))) == duration(words)
