"""The door's pages, and what a name that is code does to a page."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from aggregator.web.guard import COOKIE
from aggregator.web.pages import within
from aggregator.web.people import Role
from tests.web.conftest import PASSWORD, House

Build = Callable[..., House]


async def test_the_first_person_is_set_up_with_the_code_and_is_in(house: Build) -> None:
    home = house()
    async with home.client() as browser:
        assert (await browser.get("/")).headers["location"] == "/first"
        form = {"code": home.server.first_code, "name": "mara", "password": PASSWORD, "again": PASSWORD}
        wrong = await browser.post("/first", data={**form, "again": "otherwise"})
        assert (wrong.status_code, "not the same" in wrong.text) == (403, True)
        right = await browser.post("/first", data=form)
        assert (right.status_code, right.headers["location"]) == (303, "/")
        assert (await browser.get("/")).status_code == 200
    assert [each.event for each in home.site.take_notes()] == ["first person set up", "signed in"]


async def test_the_cookie_is_out_of_reach_for_scripts_and_for_other_sites(house: Build) -> None:
    home = house()
    home.people.add("mara", Role.LOOK, PASSWORD)
    async with home.client() as browser:
        answer = await browser.post("/sign-in", data={"name": "mara", "password": PASSWORD, "to": "/alarms"})
        assert answer.headers["location"] == "/alarms"
        attributes = {each.strip().lower() for each in answer.headers["set-cookie"].split(";")}
        assert {"httponly", "samesite=strict", "path=/"} <= attributes
        out = await browser.post("/sign-out")
        assert out.headers["location"] == "/sign-in"
        assert (await browser.get("/api/v1/meters", headers={"cookie": f"{COOKIE}={answer.cookies[COOKIE]}"})).is_error


async def test_who_tries_too_often_is_told_to_wait_and_it_is_on_record(house: Build) -> None:
    home = house()
    home.people.add("mara", Role.LOOK, PASSWORD)
    async with home.client("10.0.0.9") as browser:
        answers = [await browser.post("/sign-in", data={"name": "mara", "password": "guess"}) for _ in range(7)]
    assert [each.status_code for each in answers] == [403] * 5 + [429] * 2
    notes = home.site.take_notes()
    assert {each.event for each in notes} == {"sign-in refused"}
    assert notes[0].facts["from"] == "10.0.0.9"


@pytest.mark.parametrize("to", ["https://evil.test/", "//evil.test", "/\\evil.test", "javascript:alert(1)", "evil", ""])
def test_signing_in_leads_to_pages_of_our_own_only(to: str) -> None:
    assert within(to) == "/"


def test_signing_in_leads_on_to_where_one_wanted() -> None:
    assert within("/meters/FT-101?x=1") == "/meters/FT-101?x=1"


async def test_a_name_that_is_code_stays_a_name(house: Build) -> None:
    home = house(open_to_look=True)
    home.people.add("mara", Role.LOOK, PASSWORD)
    async with home.client() as browser:
        answer = await browser.post("/sign-in", data={"name": "<script>alert(1)</script>", "password": "guess guess"})
        assert "<script>alert" not in answer.text
        assert "&lt;script&gt;alert" in answer.text
        wrong = await browser.get("/meters/%3Cscript%3Ealert(1)%3C/script%3E")
        assert wrong.status_code == 404
        assert "<script>alert" not in wrong.text


async def test_every_page_says_that_it_is_no_safety_function(house: Build) -> None:
    async with house(open_to_look=True).client() as browser:
        for path in ("/", "/alarms", "/map", "/linking", "/upkeep", "/service", "/meters/AT-101", "/first"):
            answer = await browser.get(path)
            assert "not a safety function" in answer.text, path
