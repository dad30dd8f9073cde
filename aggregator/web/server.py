"""The web server: pages, interface and figures on one port, on the service's own loop."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
from collections.abc import Iterator

import structlog
import uvicorn
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route

from aggregator.core.errors import why_no_port
from aggregator.web.api import build_api
from aggregator.web.door import Door
from aggregator.web.guard import Guard, Visitor
from aggregator.web.live import Live
from aggregator.web.metrics import registry_of
from aggregator.web.offer import Offer
from aggregator.web.pages import Pages
from aggregator.web.people import People, Role, WrongPerson
from aggregator.web.settings import CannotServe, WebSettings
from aggregator.web.visits import Visits

MOST_CONNECTIONS = 300
BACKLOG = 64
KEEP_ALIVE = 30  # s
LONGEST_FAREWELL = 1  # s for answers under way when the service ends
log = structlog.get_logger("web")


class _Server(uvicorn.Server):
    """One that leaves signals to the service."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


class WebServer:
    """Serves one site's pages until it is stopped."""

    def __init__(self, offer: Offer, settings: WebSettings) -> None:
        self.settings = settings
        self._port = settings.port
        self._offer = offer
        people = People(offer.data)
        self._door = Door(people, lambda: offer.now().monotonic)
        self.visits = visits = Visits(offer.data, people, lambda: offer.now().utc)
        self._live = Live(offer)
        pages = Pages(offer, self._door, visits, tls=settings.certificate is not None)
        self._registry = registry_of(offer)
        self.app = Starlette(
            routes=[
                Mount("/api/v1", build_api(offer, self._live)),
                Route("/health", self._health),
                Route("/ready", self._ready),
                Route("/metrics", self._metrics),
                *pages.routes(),
            ],
            exception_handlers={HTTPException: pages.failed},
            middleware=[
                Middleware(
                    Guard,
                    people=people,
                    visits=visits,
                    hosts=settings.names,
                    open_to_look=settings.open_to_look,
                    tls=settings.certificate is not None,
                )
            ],
        )
        logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)  # the guard says what went wrong
        self._server = _Server(
            uvicorn.Config(
                self.app,
                loop="none",
                http="httptools",
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                server_header=False,
                limit_concurrency=MOST_CONNECTIONS,
                backlog=BACKLOG,
                timeout_keep_alive=KEEP_ALIVE,
                timeout_graceful_shutdown=LONGEST_FAREWELL,
                ssl_certfile=settings.certificate,
                ssl_keyfile=settings.key,
            )
        )
        self._tasks: list[asyncio.Task[None]] = []

    async def start(self) -> None:
        """Open the port and serve. Raises CannotServe."""
        settings = self.settings
        try:
            self._server.config.load()
        except OSError as error:
            raise _wrong_certificate(settings, error) from error
        try:
            listener = socket.create_server((settings.host, settings.port), backlog=BACKLOG)
        except OSError as error:
            at = f"pages cannot be served at {settings.host}:{settings.port}"
            raise CannotServe(why_no_port(at, error, "`at:` under `web:` in site.yaml", unprivileged=8080)) from error
        self._port = listener.getsockname()[1]
        serving = asyncio.create_task(self._server.serve(sockets=[listener]), name="pages")
        self._tasks = [serving, asyncio.create_task(self._live.run(), name="live pages")]
        log.info("pages served", at=self.url)
        try:
            code = self._door.first_code()
        except WrongPerson as error:  # no reason for the service to end: plant software needs no sign-in
            log.warning("nobody can be let in", reason=str(error))
            return
        if code is not None:
            log.warning("nobody can sign in yet", open=f"{self.url}first", code=code)

    async def stop(self) -> None:
        """Close the port and every connection."""
        if not self._tasks:
            return
        self._live.close()
        self._server.should_exit = True
        serving, live = self._tasks
        live.cancel()
        await asyncio.wait({serving, live}, timeout=2 * LONGEST_FAREWELL)
        serving.cancel()
        self._tasks = []

    def reload_certificate(self) -> None:
        """Show it as its files now are to whoever connects from now on. Raises CannotServe; the old one stays then."""
        settings, context = self.settings, self._server.config.ssl
        if context is None or settings.certificate is None:
            return
        try:
            for each in (ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), context):  # a pair that does not fit leaves it alone
                each.load_cert_chain(settings.certificate, settings.key)
        except OSError as error:
            raise _wrong_certificate(settings, error) from error

    @property
    def url(self) -> str:
        """Where a browser on this machine finds the pages."""
        settings = self.settings
        host = "127.0.0.1" if settings.host == "0.0.0.0" else settings.host  # noqa: S104 - every network has our own
        return f"{'https' if settings.certificate else 'http'}://{host}:{self._port}/"

    @property
    def first_code(self) -> str | None:
        """The code that sets up the first person, while there is nobody."""
        return self._door.first_code()

    async def _health(self, _request: Request) -> Response:
        return PlainTextResponse("alive\n")

    async def _ready(self, _request: Request) -> Response:
        figures = self._offer.site().figures
        parts = {"broker": figures.broker_connected, "store": figures.stored}
        return JSONResponse({"ready": all(parts.values()), **parts}, 200 if all(parts.values()) else 503)

    async def _metrics(self, request: Request) -> Response:
        visitor: Visitor = request.state.visitor
        if not visitor.may(Role.LOOK):
            return PlainTextResponse("send a key: `aggregator people key NAME` makes one.\n", 401)
        return Response(generate_latest(self._registry), media_type=CONTENT_TYPE_LATEST)


def _wrong_certificate(settings: WebSettings, error: OSError) -> CannotServe:
    why = error.strerror or str(error)
    return CannotServe(
        f"the certificate of the pages cannot be used: {why}. Check {settings.certificate} and {settings.key}, "
        "as `tls:` under `web:` in site.yaml names them, and who may read them."
    )
