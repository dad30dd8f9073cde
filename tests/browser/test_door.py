"""Signing in, as people do it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from aggregator.web.people import Role
from tests.browser.conftest import PASSWORD, PHONE, Place

pytestmark = [pytest.mark.peer("chromium"), pytest.mark.peer("mosquitto")]
Build = Callable[..., Place]


def test_the_first_person_is_set_up_with_the_code_from_the_log(place: Build) -> None:
    there = place()
    page = there.open("/alarms", size=PHONE)
    expect(page.get_by_role("heading", name="The first person")).to_be_visible()
    there.picture(page, "first-phone")
    page.get_by_label("Code").fill(there.service.log("nobody can sign in yet")[0]["code"].lower())
    page.get_by_label("Your name").fill("mara")
    page.get_by_label("Password, 8 characters or more").fill(PASSWORD)
    page.get_by_label("The same once more").fill(PASSWORD)
    page.get_by_role("button", name="Set up and sign in").click()
    expect(page.get_by_text("mara, engineer")).to_be_visible()
    assert there.people.all()["mara"].role is Role.ENGINEER


def test_one_goes_on_to_where_one_wanted_and_out_again(place: Build) -> None:
    there = place()
    there.people.add("olav", Role.OPERATE, PASSWORD)
    page = there.open("/meters/FT-102")
    there.sign_in(page, "olav")
    assert page.url.endswith("/meters/FT-102")
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    page.go_back()
    page.reload()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()


def test_a_wrong_password_is_refused_in_words(place: Build) -> None:
    there = place()
    there.people.add("olav", Role.OPERATE, PASSWORD)
    there.expected.append("403")
    page = there.open("/")
    page.get_by_label("Name").fill("olav")
    page.get_by_label("Password").fill("not the password")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_have_text("name or password is wrong.")
    there.picture(page, "sign-in-refused")
