"""What every request passes, after OWASP's cheat sheets on forged requests and headers (from memory)."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from aggregator.web.guard import COOKIE, LARGEST
from aggregator.web.people import Role
from tests.web.conftest import PASSWORD, House

OURS = "http://127.0.0.1:8080"
Build = Callable[..., House]


async def test_nobody_sees_anything_before_signing_in(house: Build) -> None:
    home = house()
    home.people.add("mara", Role.ENGINEER, PASSWORD)
    async with home.client() as browser:
        page = await browser.get("/")
        assert (page.status_code, page.headers["location"]) == (303, "/sign-in?to=/")
        assert (await browser.get("/api/v1/meters")).status_code == 401
        assert (await browser.get("/metrics")).status_code == 401
        assert (await browser.get("/health")).status_code == 200
        assert (await browser.post("/api/v1/alarms/silence")).status_code == 401
    assert home.asked == []


async def test_who_may_look_where_it_is_open_cannot_act(house: Build) -> None:
    home = house(open_to_look=True)
    async with home.client() as browser:
        assert (await browser.get("/api/v1/meters")).status_code == 200
        assert (await browser.post("/api/v1/alarms/silence")).status_code == 401


@pytest.mark.parametrize(
    ("role", "may"), [(Role.LOOK, (403, 403)), (Role.OPERATE, (200, 403)), (Role.ENGINEER, (200, 200))]
)
async def test_a_role_may_what_it_may_and_no_more(house: Build, role: Role, may: tuple[int, int]) -> None:
    home = house()
    async with home.with_key(role) as program:
        acts = (
            await program.post("/api/v1/meters/AT-101/test", json={"on": True}),
            await program.post("/api/v1/service/reload"),
        )
    assert tuple(each.status_code for each in acts) == may
    assert len(home.asked) == may.count(200)


async def test_a_page_of_another_site_cannot_act_with_a_borrowed_cookie(house: Build) -> None:
    home = house()
    cookie = await signed_in(home)
    headers = {"cookie": f"{COOKIE}={cookie}", "x-visit-token": token_of(home)}
    async with home.client() as browser:
        for foreign in ({"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}, {"origin": "http://evil"}):
            answer = await browser.post("/api/v1/alarms/silence", headers={**headers, **foreign})
            assert (answer.status_code, "another site" in answer.text) == (403, True)
        answer = await browser.post("/api/v1/alarms/silence", headers={**headers, "origin": OURS})
        assert answer.status_code == 200
    assert [name for name, _ in home.asked] == ["silence"]


async def test_a_cookie_without_the_visits_token_does_nothing(house: Build) -> None:
    home = house()
    cookie = await signed_in(home)
    async with home.client() as browser:
        for token in ("", "wrong"):
            answer = await browser.post(
                "/api/v1/alarms/silence", headers={"cookie": f"{COOKIE}={cookie}", "x-visit-token": token}
            )
            assert (answer.status_code, "out of date" in answer.text) == (403, True)
    assert home.asked == []


async def test_a_visit_of_somebody_else_has_another_token(house: Build) -> None:
    home = house()
    await signed_in(home)
    other = await signed_in(home, "olav")
    async with home.client() as browser:
        answer = await browser.post(
            "/api/v1/alarms/silence", headers={"cookie": f"{COOKIE}={other}", "x-visit-token": token_of(home)}
        )
    assert answer.status_code == 403


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8080", 200),
        ("[::1]:8080", 200),
        ("localhost", 200),
        ("gate", 200),
        ("evil.test", 421),
        ("", 421),
    ],
)
async def test_a_name_that_is_not_the_gateways_gets_nothing(house: Build, host: str, status: int) -> None:
    """A foreign page can make its own name stand for this address (DNS rebinding), but not name an address its own."""
    async with house(names=("gate",), open_to_look=True).client() as browser:
        assert (await browser.get("/health", headers={"host": host})).status_code == status


async def test_a_body_beyond_all_need_is_refused(house: Build) -> None:
    home = house()
    async with home.with_key(Role.ENGINEER) as program:
        answer = await program.post("/api/v1/alarms/acknowledge", content=b" " * (LARGEST + 1))
        assert answer.status_code == 413

        async def endless() -> object:
            for _ in range(100):
                yield b" " * 4096

        answer = await program.post("/api/v1/alarms/acknowledge", content=endless())  # type: ignore[arg-type]
        assert answer.status_code in {400, 413}
    assert home.asked == []


async def test_every_answer_carries_headers_that_keep_foreign_code_out(house: Build) -> None:
    async with house(open_to_look=True).client() as browser:
        for path in ("/", "/api/v1/meters", "/static/style.css", "/nothing", "/first"):
            headers = (await browser.get(path)).headers
            policy = headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert headers["x-content-type-options"] == "nosniff"
            assert headers["x-frame-options"] == "DENY"
            assert "server" not in headers


async def test_no_path_leads_out_of_the_static_files(house: Build) -> None:
    async with house(open_to_look=True).client() as browser:
        for path in (
            "/static/../server.py",
            "/static/%2e%2e/server.py",
            "/static/..%2fserver.py",
            "/static//etc/passwd",
        ):
            assert (await browser.get(path)).status_code == 404, path


async def signed_in(home: House, name: str = "mara") -> str:
    """The cookie of a new visit of an engineer."""
    home.people.add(name, Role.ENGINEER, PASSWORD)
    async with home.client() as browser:
        answer = await browser.post("/sign-in", data={"name": name, "password": PASSWORD, "to": "/"})
    assert answer.status_code == 303, answer.text
    return answer.cookies[COOKIE]


def token_of(home: House, name: str = "mara") -> str:
    """The token of that visit, as its pages have it."""
    return next(each.token for each in home.server.visits.all() if each.name == name)


async def test_nobody_is_let_in_while_the_file_of_people_is_damaged(house: Build) -> None:
    home = house()
    cookie = await signed_in(home)
    (home.folder / "people.json").write_text('{"mara": ')
    async with home.client() as browser:
        assert (await browser.get("/health")).status_code == 200
        for path in ("/", "/sign-in", "/first"):
            page = await browser.get(path)
            assert (page.status_code, "nobody is let in" in page.text) == (503, True), path
        told = await browser.get("/api/v1/meters", headers={"cookie": f"{COOKIE}={cookie}"})
        assert (told.status_code, set(told.json())) == (503, {"wrong"})
        told = await browser.get("/metrics", headers={"authorization": "Bearer none"})
        assert told.status_code == 503
        (home.folder / "people.json").unlink()
        assert (await browser.get("/")).headers["location"] == "/first"
