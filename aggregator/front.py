"""Where people look: the pages that site.yaml declares, opened, served otherwise after a reload, and closed.

Pages are no reason for the service to end: where they cannot be served any more after a reload, the service says so,
goes on, and tries again until they can be.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import structlog

from aggregator.config.files import WebKeys
from aggregator.web.offer import Offer
from aggregator.web.settings import CannotServe, WebSettings

if TYPE_CHECKING:
    from aggregator.web.server import WebServer

TRY_FIRST, TRY_AT_MOST = 0.5, 10.0  # s between attempts at pages that cannot be served

log = structlog.get_logger("service")


def settings_of(keys: WebKeys) -> WebSettings:
    """How pages are served."""
    tls = keys.tls
    return WebSettings(
        *keys.at,
        certificate=tls.certificate if tls else None,
        key=tls.key if tls else None,
        names=tuple(keys.names),
        open_to_look=keys.open_to_look,
    )


def _what_serves() -> type[WebServer]:
    # A third of what the service imports is for pages. A site without them does without; one that begins to have them
    # at a reload goes on answering polls meanwhile.
    from aggregator.web.server import WebServer  # noqa: PLC0415

    return WebServer


class Front:
    """The pages of one service. `trouble` is why pages that are declared are not served, None while they are."""

    def __init__(self, offer: Offer) -> None:
        self._offer = offer
        self.server: WebServer | None = None
        self.trouble: str | None = None
        self._keys: WebKeys | None = None
        self._tasks: asyncio.TaskGroup | None = None
        self._trying: asyncio.Task[None] | None = None

    async def open(self, keys: WebKeys | None) -> None:
        """Serve pages as declared. Raises CannotServe."""
        if keys is not None:
            serves = await asyncio.to_thread(_what_serves)
            server = serves(self._offer, settings_of(keys))
            await server.start()
            self.server, self._keys, self.trouble = server, keys, None

    @property
    def tasks(self) -> list[asyncio.Task[None]]:
        """What goes on trying."""
        return [self._trying] if self._trying is not None else []

    def live(self, tasks: asyncio.TaskGroup) -> None:
        """Say where attempts are to live that go on after a reload."""
        self._tasks = tasks

    async def settle(self, keys: WebKeys | None) -> None:
        """Serve them as they are declared now, where that is otherwise than before: at once, or once it can be."""
        if keys == self._keys:
            return
        await self.close()
        self._keys = keys
        if keys is None or await self._try(keys) or self._tasks is None:
            return
        self._trying = self._tasks.create_task(self._keep_trying(keys), name="pages away")

    def reload_certificate(self) -> None:
        """Show browsers the certificate as its files now are. Raises CannotServe where they are of no use."""
        if self.server is not None:
            self.server.reload_certificate()

    async def close(self) -> None:
        """Serve none any more."""
        if self._trying is not None:
            self._trying.cancel()
            await asyncio.wait([self._trying])
        if self.server is not None:
            await self.server.stop()
        self.server = self.trouble = self._keys = self._trying = None

    async def _try(self, keys: WebKeys) -> bool:
        """Whether they are served now; where not, the reason is told once."""
        try:
            await self.open(keys)
        except CannotServe as error:
            if self.trouble != str(error):
                self.trouble = str(error)
                log.warning("pages away", reason=self.trouble)
            return False
        return True

    async def _keep_trying(self, keys: WebKeys) -> None:
        wait = TRY_FIRST
        while not await self._try(keys):
            await asyncio.sleep(wait)
            wait = min(2 * wait, TRY_AT_MOST)
