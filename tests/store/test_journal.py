"""The journal page by page: newest first, only what is sought, and each event once."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from aggregator.core.keeping import KeptEvent
from aggregator.store import Store
from aggregator.store.journal import AT_ONCE, Sought
from aggregator.store.limits import GivenUp
from aggregator.store.reader import Extent, journal, journal_page

BEGIN = 1_790_000_000.0  # as in conftest.py
Settle = Callable[[Store], None]


def some_events(count: int) -> list[KeptEvent]:
    chance = random.Random(11)
    made = []
    for number in range(count):
        alarm = chance.choice(["methane high", "stale", None])
        facts = {"number": number} if alarm is None else {"number": number, "alarm": alarm, "value": 1.5}
        what = "meter taken into test" if alarm is None else chance.choice(["alarm raised", "alarm cleared"])
        at = BEGIN + number // 3  # three at the same time
        made.append(KeptEvent(at, what, chance.choice(["FT-101", "AT-2", None]), chance.choice("AB"), facts))
    return made


@pytest.fixture
def kept(store: Store, settle: Settle) -> Sequence[KeptEvent]:
    made = some_events(AT_ONCE + 500)
    store.put(made)
    settle(store)
    return made


def numbers(events: Sequence[KeptEvent]) -> list[object]:
    return [each.facts["number"] for each in events]


@pytest.mark.parametrize(
    ("sought", "has"),
    [
        (Sought(), lambda _: True),
        (Sought(tags=["AT-2", "XX-1"]), lambda each: each.tag == "AT-2"),
        (Sought(events={"alarm raised"}), lambda each: each.event == "alarm raised"),
        (Sought(alarms=["methane high"]), lambda each: each.facts.get("alarm") == "methane high"),
        (Sought(who=["B"]), lambda each: each.who == "B"),
        (Sought(about_alarms=True), lambda each: "alarm" in each.facts),
        (
            Sought(tags=["AT-2"], alarms=["stale"], who=["A"]),
            lambda each: (each.tag, each.who, each.facts.get("alarm")) == ("AT-2", "A", "stale"),
        ),
        (Sought(tags=[]), lambda _: False),
    ],
    ids=["all", "of a meter", "of a kind", "of an alarm", "by somebody", "about alarms", "all at once", "of none"],
)
def test_pages_join_to_all_that_is_sought_newest_first(
    sought: Sought, has: Callable[[KeptEvent], bool], kept: Sequence[KeptEvent], path: Path
) -> None:
    since, until = BEGIN + 5, BEGIN + 700
    wanted = [each for each in kept if since <= each.at < until and has(each)]
    assert numbers(list(journal(path, since, until, sought))) == numbers(wanted)
    found: list[KeptEvent] = []
    page = journal_page(path, sought, Extent(since, until, 100))
    while page.rows:
        found += page.rows
        assert page.after is None or len(page.rows) == 100
        if page.after is None:
            break
        page = journal_page(path, sought, Extent(since, until, 100, page.after))
    assert numbers(found) == numbers(wanted)[::-1]


def test_what_comes_meanwhile_moves_no_page(
    kept: Sequence[KeptEvent], store: Store, settle: Settle, path: Path
) -> None:
    first = journal_page(path, Sought(), Extent(most=10))
    store.put([KeptEvent(BEGIN + 10_000, "new", None, "A", {"number": -1})])
    settle(store)
    second = journal_page(path, Sought(), Extent(most=10, after=first.after))
    assert numbers(first.rows) + numbers(second.rows) == numbers(kept)[:-21:-1]
    assert journal_page(path, Sought(), Extent(most=1)).rows[0].event == "new"


def test_the_silenced_sounder_is_about_alarms_too(store: Store, settle: Settle, path: Path) -> None:
    store.put(
        [KeptEvent(BEGIN, "sounder silenced", None, "A", {}), KeptEvent(BEGIN, "settings changed", None, "A", {})]
    )
    settle(store)
    assert [each.event for each in journal(path, 0, math.inf, Sought(about_alarms=True))] == ["sounder silenced"]


@pytest.mark.usefixtures("kept")
def test_a_search_for_what_is_not_there_is_given_up_between_two_steps(path: Path) -> None:
    asked = itertools.count()
    with pytest.raises(GivenUp):
        journal_page(path, Sought(who=["nobody"]), Extent(), lambda: next(asked) == 1)
    assert journal_page(path, Sought(who=["nobody"]), Extent()) == ([], None)
