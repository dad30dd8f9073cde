"""What every request passes: who asks, whether it may come from where it comes, how large it is; and safe headers.

    request -> host known? -> body not too large? -> who: cookie or key -> unsafe method: same page? token? -> app

A cookie alone does nothing: what changes something has to carry the visit's token as well, which only our own pages
know, and must not come from another site's page (Fetch Metadata, Origin). A key of a program needs neither.
"""

from __future__ import annotations

import hmac
import ipaddress
import json
from collections.abc import Awaitable, Callable, Collection, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import urlsplit

import structlog

from aggregator.web.people import People, Role, WrongPerson
from aggregator.web.visits import Visits

COOKIE = "aggregator_visit"
TOKEN_HEADER = b"x-visit-token"
LARGEST = 64 * 1024  # bytes of a request's body
LARGEST_PHOTO = 4 * 1024 * 1024  # bytes, where one is expected
SAFE = {"GET", "HEAD", "OPTIONS"}
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
    "font-src 'self'; manifest-src 'self'; media-src 'self' blob:; form-action 'self'; frame-ancestors 'none'; "
    "base-uri 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=()",
}
UNREADABLE = "the file of people cannot be read, so nobody is let in; the service's log says more"
RAW_HEADERS = [(name.encode(), value.encode()) for name, value in HEADERS.items()]

log = structlog.get_logger("web")

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks. `token` is that of the visit, empty for a program with a key and for nobody."""

    name: str
    role: Role | None
    token: str = ""
    by_key: bool = False

    def may(self, role: Role) -> bool:
        """Whether this one may do what the role may."""
        return self.role is not None and self.role >= role


class TooLarge(Exception):
    """A request's body is larger than it may be."""

    def __init__(self, limit: int) -> None:
        super().__init__(f"a request here has at most {limit} bytes")


class Guard:
    """An ASGI middleware.

    `hosts` are names that this gateway is known by, beside its addresses; `open_to_look` lets anybody look who can
    connect.
    """

    def __init__(
        self, app: App, people: People, visits: Visits, hosts: Collection[str], *, open_to_look: bool, tls: bool
    ) -> None:
        self._app = app
        self._people = people
        self._visits = visits
        self._hosts = {each.lower() for each in (*hosts, "localhost")}
        self._open_to_look = open_to_look
        self._tls = tls

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        headers: dict[bytes, bytes] = dict(scope["headers"])
        send = self._with_headers(send)
        started = False

        async def sending(message: Message) -> None:
            nonlocal started
            started = True
            await send(message)

        try:
            await self._pass_on(scope, headers, receive, sending)
        except TooLarge as error:
            if not started:
                await refuse(scope, send, 413, str(error))
        except WrongPerson as error:
            log.warning("nobody can be let in", reason=str(error))
            if not started:
                await refuse(scope, send, 503, UNREADABLE)
        except Exception:
            log.exception("request not answered, a defect of this program", path=scope["path"])
            if not started:
                await refuse(
                    scope, send, 500, "a defect of this program kept it from being done; the service's log says more"
                )

    async def _pass_on(self, scope: Scope, headers: dict[bytes, bytes], receive: Receive, send: Send) -> None:
        """Let the request through to the pages, or say why not."""
        problem = self._problem(scope, headers)
        if problem is not None:
            await refuse(scope, send, *problem)
            return
        limit = LARGEST_PHOTO if scope["path"].endswith("/photo") else LARGEST
        if int_or(headers.get(b"content-length"), 0) > limit:
            raise TooLarge(limit)
        await self._app(scope, limited(receive, limit), send)

    def _problem(self, scope: Scope, headers: dict[bytes, bytes]) -> tuple[int, str] | None:
        if not self._is_known(headers.get(b"host", b"").decode("latin-1")):
            return 421, "this gateway is not known by that name. Add it to `names:` under `web:` in site.yaml"
        visitor = self._visitor(headers)
        scope.setdefault("state", {})["visitor"] = visitor
        if scope["method"] in SAFE or visitor.by_key:
            return None
        if not self._is_from_here(headers):
            return 403, "this came from another site's page"
        if visitor.token and scope["path"].startswith("/api/"):
            given = headers.get(TOKEN_HEADER, b"").decode("latin-1")
            if not hmac.compare_digest(given.encode(), visitor.token.encode()):
                return 403, "the page is out of date. Load it again"
        return None

    def _is_known(self, host: str) -> bool:
        """Whether a Host header names this gateway. Another name may be a trick to read it from a foreign page."""
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        return name in self._hosts or is_address(name)

    def _visitor(self, headers: dict[bytes, bytes]) -> Visitor:
        kind, _, key = headers.get(b"authorization", b"").decode("latin-1").partition(" ")
        if kind.lower() == "bearer":
            person = self._people.by_key(key.strip())
            return Visitor(person.name, person.role, by_key=True) if person else Visitor("", None, by_key=True)
        cookie = cookie_in(headers)
        found = self._visits.find(cookie) if cookie else None
        if found is not None:
            visit, person = found
            return Visitor(person.name, person.role, visit.token)
        return Visitor("", Role.LOOK if self._open_to_look else None)

    def _is_from_here(self, headers: dict[bytes, bytes]) -> bool:
        """Whether one of our own pages asks (Fetch Metadata, else Origin)."""
        site = headers.get(b"sec-fetch-site")
        if site is not None:
            return site in {b"same-origin", b"none"}
        origin = headers.get(b"origin")
        if origin is None:
            return True  # no browser: then nobody's cookie was borrowed
        scheme = b"https" if self._tls else b"http"
        return origin == scheme + b"://" + headers.get(b"host", b"")

    def _with_headers(self, send: Send) -> Send:
        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [*message["headers"], *(each for each in RAW_HEADERS if each[0] not in given)]
                if b"cache-control" not in given:
                    message["headers"].append((b"cache-control", b"no-store"))
                if self._tls:
                    message["headers"].append((b"strict-transport-security", b"max-age=31536000"))
            await send(message)

        return sending


def is_address(name: str) -> bool:
    """Whether a host is named by its IP address, which nobody else can lay claim to."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def cookie_in(headers: dict[bytes, bytes]) -> str | None:
    """The visit's cookie, None where there is none."""
    try:
        jar = SimpleCookie(headers.get(b"cookie", b"").decode("latin-1"))
    except CookieError:
        return None
    return jar[COOKIE].value if COOKIE in jar else None


def limited(receive: Receive, limit: int) -> Receive:
    """The same, that raises TooLarge for a body that goes on beyond the limit whatever its header said."""
    seen = 0

    async def receiving() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > limit:
            raise TooLarge(limit)
        return message

    return receiving


async def refuse(scope: Scope, send: Send, status: int, why: str) -> None:
    """Answer with a sentence, and nothing else: to programs as the interface has it, to browsers as text."""
    if scope["path"].startswith("/api/"):
        kind, body = b"application/json", json.dumps({"wrong": f"{why}."}).encode()
    else:
        kind, body = b"text/plain; charset=utf-8", f"{why}.\n".encode()
    headers = [(b"content-type", kind), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def int_or(text: bytes | None, otherwise: int) -> int:
    """A header's number."""
    try:
        return int(text) if text else otherwise
    except ValueError:
        return otherwise
