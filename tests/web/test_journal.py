"""The interface about the journal: what is asked for is what is sought, and wrong questions are refused."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from aggregator.web.people import Role
from tests.web.conftest import House

Build = Callable[..., House]
JOURNAL = "/api/v1/journal"


async def test_what_is_asked_for_is_what_is_sought(house: Build) -> None:
    home = house()
    query = "tag=FT-101&tag=FT-102&event=alarm+raised&who=mara&since=1.5&most=20&after=1-2"
    async with home.with_key(Role.LOOK) as program:
        assert (await program.get(f"{JOURNAL}?{query}")).status_code == 200
    [(name, asked)] = home.asked
    assert name == "journal"
    assert asked == {
        "tags": ["FT-101", "FT-102"],
        "events": ["alarm raised"],
        "alarms": None,
        "people": ["mara"],
        "about_alarms": False,
        "since": 1.5,
        "until": None,
        "most": 20,
        "after": "1-2",
        "who": "look",
    }


@pytest.mark.parametrize(
    "query",
    [{"most": 0}, {"most": 501}, {"since": "soon"}, {"until": "nan"}, {"since": 1e12}, {"tag": "x" * 201}],
    ids=str,
)
async def test_a_wrong_question_is_refused(house: Build, query: dict[str, Any]) -> None:
    home = house()
    async with home.with_key(Role.LOOK) as program:
        answer = await program.get(JOURNAL, params=query)
    assert (answer.status_code, home.asked) == (422, [])


async def test_the_figures_are_asked_for_from_a_time_on(house: Build) -> None:
    home = house()
    async with home.with_key(Role.LOOK) as program:
        assert (await program.get("/api/v1/alarms/figures", params={"since": 5})).status_code == 200
    assert home.asked == [("alarm figures", {"since": 5.0, "who": "look"})]


@pytest.mark.parametrize("path", [JOURNAL, "/api/v1/alarms/figures"])
async def test_nobody_reads_it_who_has_not_signed_in(house: Build, path: str) -> None:
    home = house()
    async with home.client() as stranger:
        assert (await stranger.get(path)).status_code == 401
