"""The pages: a frame that each fills by itself through the interface, and the door."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from aggregator import __version__
from aggregator.core.live_alarm import SAYS
from aggregator.web.door import Door, TooOften
from aggregator.web.guard import COOKIE, Visitor, cookie_in
from aggregator.web.offer import Offer
from aggregator.web.people import LONGEST, SHORTEST, Person, Role, WrongPerson
from aggregator.web.visits import Visits

HERE = Path(str(files("aggregator.web")))
LONGEST_STAY = 90 * 86400  # s that a browser keeps the cookie; the visit may end sooner
PAGES = {
    "overview": ("/", "Overview"),
    "alarms": ("/alarms", "Alarms"),
    "map": ("/map", "Map"),
    "linking": ("/linking", "Linking"),
    "upkeep": ("/upkeep", "Upkeep"),
    "service": ("/service", "Service"),
}
PARTS = {  # what stands under a page of the list above
    "alarms-journal": ("/alarms/journal", "alarms"),
    "alarms-limits": ("/alarms/limits", "alarms"),
    "alarms-figures": ("/alarms/figures", "alarms"),
}
SEE_OTHER = 303


class Pages:
    """The pages of one service."""

    def __init__(self, offer: Offer, door: Door, visits: Visits, *, tls: bool) -> None:
        self._offer = offer
        self._door = door
        self._visits = visits
        self._tls = tls
        self._templates = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=select_autoescape(default=True),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def routes(self) -> list[Route | Mount]:
        """Every page by its path."""
        return [
            *(Route(path, self._page(name)) for name, (path, _) in PAGES.items()),
            *(Route(path, self._page(page, name)) for name, (path, page) in PARTS.items()),
            Route("/meters/{tag}", self._page("meter")),
            Route("/linking/{tag}", self._page("link")),
            Route("/sign-in", self._sign_in, methods=["GET", "POST"]),
            Route("/sign-out", self._sign_out, methods=["POST"]),
            Route("/first", self._first, methods=["GET", "POST"]),
            Mount("/static", StaticFiles(directory=HERE / "static"), name="static"),
        ]

    def _page(self, name: str, part: str = "") -> Callable[[Request], Awaitable[Response]]:
        async def page(request: Request) -> Response:
            visitor: Visitor = request.state.visitor
            if not visitor.may(Role.LOOK):
                return self._to_the_door(request)
            tag = request.path_params.get("tag")
            if tag is not None and tag not in self._offer.site().states:
                raise HTTPException(404, f"this site has no meter {tag}")
            return self._render(f"{part or name}.html", request, page=name, part=part or name, tag=tag)

        return page

    def _to_the_door(self, request: Request) -> Response:
        if self._door.first_code() is not None:
            return RedirectResponse("/first", SEE_OTHER)
        wanted = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"/sign-in?to={quote(wanted)}", SEE_OTHER)

    def _render(self, template: str, request: Request, status: int = 200, **more: object) -> Response:
        visitor: Visitor = request.state.visitor
        context: dict[str, Any] = {
            "site": self._offer.site().declared.name,
            "version": __version__,
            "pages": PAGES,
            "page": "",
            "visitor": visitor,
            "role": visitor.role.words if visitor.role else "",
            "kinds": SAYS.values(),
            "may": {role.words: visitor.may(role) for role in Role},
            **more,
        }
        return HTMLResponse(self._templates.get_template(template).render(context), status)

    # The door

    async def _sign_in(self, request: Request) -> Response:
        if self._door.first_code() is not None:
            return RedirectResponse("/first", SEE_OTHER)
        if request.method == "GET":
            to = request.query_params.get("to", "/")
            return self._render("sign-in.html", request, to=within(to), name="", wrong="")
        form = await request.form()
        name, password, to = (str(form.get(key, "")) for key in ("name", "password", "to"))
        host = host_of(request)
        try:
            person = await self._door.sign_in(name, password, host)
        except WrongPerson as error:
            self._record("sign-in refused", name[:64], host)
            status = 429 if isinstance(error, TooOften) else 403
            return self._render("sign-in.html", request, status, to=within(to), name=name, wrong=str(error))
        return self._let_in(person, host, within(to))

    async def _first(self, request: Request) -> Response:
        if self._door.first_code() is None:
            return RedirectResponse("/sign-in", SEE_OTHER)
        bounds = {"shortest": SHORTEST, "longest": LONGEST}
        if request.method == "GET":
            return self._render("first.html", request, name="", wrong="", **bounds)
        form = await request.form()
        code, name, password, again = (str(form.get(key, "")) for key in ("code", "name", "password", "again"))
        host = host_of(request)
        try:
            if password != again:
                raise WrongPerson("the two passwords are not the same.")
            person = await self._door.first(code, name, password, host)
        except WrongPerson as error:
            status = 429 if isinstance(error, TooOften) else 403
            return self._render("first.html", request, status, name=name, wrong=str(error), **bounds)
        self._record("first person set up", person.name, host)
        return self._let_in(person, host, "/")

    def _let_in(self, person: Person, host: str, to: str) -> Response:
        self._record("signed in", person.name, host)
        answer = RedirectResponse(to, SEE_OTHER)
        cookie = self._visits.begin(person)
        answer.set_cookie(
            COOKIE, cookie, max_age=LONGEST_STAY, path="/", secure=self._tls, httponly=True, samesite="strict"
        )
        return answer

    async def _sign_out(self, request: Request) -> Response:
        cookie = cookie_in(dict(request.headers.raw))
        visitor: Visitor = request.state.visitor
        if cookie is not None and visitor.name:
            self._visits.end(cookie)
            self._record("signed out", visitor.name, host_of(request))
        answer = RedirectResponse("/sign-in", SEE_OTHER)
        answer.delete_cookie(COOKIE, path="/", secure=self._tls, httponly=True, samesite="strict")
        return answer

    def _record(self, event: str, who: str, host: str) -> None:
        self._offer.site().record(event, who or "nobody", self._offer.now(), {"from": host})
        self._offer.keep()

    async def failed(self, request: Request, error: Exception) -> Response:
        """The page that says what is wrong with an address."""
        assert isinstance(error, HTTPException)
        if request.url.path.startswith("/api/"):  # as a path with a line's end in it, which none of the interface is
            return JSONResponse({"wrong": f"{error.detail}."}, error.status_code)
        return self._render("wrong.html", request, error.status_code, wrong=error.detail)


def within(to: str) -> str:
    """Where to go on to: only to a page of our own, whatever a link said."""
    parts = urlsplit(to)
    is_ours = to.startswith("/") and not to.startswith(("//", "/\\")) and not parts.netloc and not parts.scheme
    return to if is_ours else "/"


def host_of(request: Request) -> str:
    """The address of the machine that asks."""
    return request.client.host if request.client else "?"
