"""What comes again is held back for a minute and then counted (common practice, no source)."""

from __future__ import annotations

from aggregator.core.repeats import MOST_KINDS, QUIET_FOR, Repeats


def test_the_first_of_a_kind_is_told_and_the_next_are_held_back_with_their_count() -> None:
    repeats: Repeats[str] = Repeats()
    assert [repeats.tell("scan", f"scan {at}", float(at)) for at in range(5)] == [0, None, None, None, None]
    assert list(repeats.over(QUIET_FOR - 1)) == []
    assert list(repeats.over(QUIET_FOR)) == [("scan 4", 4)]
    assert list(repeats.over(2 * QUIET_FOR)) == []


def test_after_a_minute_the_next_one_says_how_many_were_held_back() -> None:
    repeats: Repeats[str] = Repeats()
    told = [repeats.tell("scan", "scan", at) for at in (0.0, 1.0, 2.0, QUIET_FOR)]
    assert told == [0, None, None, 2]


def test_another_kind_is_told_at_once() -> None:
    repeats: Repeats[str] = Repeats()
    assert [repeats.tell(kind, kind, 0.0) for kind in ("one", "other")] == [0, 0]


def test_a_flood_of_kinds_fills_no_memory() -> None:
    repeats: Repeats[int] = Repeats()
    for kind in range(5 * MOST_KINDS):
        repeats.tell(kind, kind, 0.0)
    assert len(repeats._held) <= MOST_KINDS


def test_what_came_once_is_not_told_again() -> None:
    repeats: Repeats[str] = Repeats()
    repeats.tell("once", "once", 0.0)
    assert list(repeats.over(QUIET_FOR)) == []
