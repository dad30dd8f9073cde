"""What the register list says of alarms: a control room must know how late one can be (common practice, no source)."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator.config.configuration import load
from aggregator.register_list import RegisterList
from aggregator.register_list.alarm_words import lasting

ROWS = RegisterList.of(load(Path(__file__).parents[1] / "config").declared).rows


def row(tag: str, item: str) -> dict[str, str]:
    return next(each for each in ROWS if (each["tag"], each["item"]) == (tag, item))


def test_an_item_of_one_alarm_tells_its_limit_priority_and_worst_delay() -> None:
    """A report each 5 minutes, one of them lost: 10 minutes."""
    assert row("AT-121", "methane high state")["note"] == (
        "methane high: 10 %LEL, priority high, raised within 10 min at worst"
    )


def test_a_delay_makes_an_alarm_later() -> None:
    """A report each 15 minutes, one of them lost, and a delay of 30 s."""
    assert row("FT-101", "pressure high state")["note"].endswith("raised within 1830 s at worst")


def test_a_word_tells_which_bit_is_which_alarms() -> None:
    item = "alarms active (methane high,methane high-high,stale,fault)"
    told = row("AT-121", item)["note"].split("; ")
    assert [each.split(":")[0] for each in told] == [
        "bit 0 methane high",
        "bit 1 methane high-high",
        "bit 2 stale",
        "bit 3 fault",
    ]
    assert "latches" in told[1]
    assert told[2] == "bit 2 stale: priority medium, raised within 16 min at worst"  # its own time, not two reports


def test_a_limit_that_can_be_written_tells_within_what() -> None:
    assert row("FT-101", "pressure high setpoint to set")["range"] == "20 .. 60 mbarg"
    assert row("FT-101", "pressure high setpoint in force")["range"] == ""


@pytest.mark.parametrize(
    ("seconds", "words"), [(30, "30 s"), (90, "90 s"), (600, "10 min"), (7200, "2 h"), (0.5, "0.5 s")]
)
def test_times_are_told_in_their_largest_whole_unit(seconds: float, words: str) -> None:
    assert lasting(seconds) == words
