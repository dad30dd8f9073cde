"""Pages and interface around a small site, asked in this process: no socket, and a clock that the tests hold."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest

from aggregator.commands.alarms import AlarmCommands
from aggregator.commands.connecting import ConnectingCommands
from aggregator.commands.link_telling import LinkTelling
from aggregator.commands.mapping import MapCommands
from aggregator.core.account import Accounts
from aggregator.core.address_map import Device
from aggregator.core.promise import Promise
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.core.units import who_answers
from aggregator.web.offer import Offer
from aggregator.web.people import People, Role
from aggregator.web.server import WebServer
from aggregator.web.settings import WebSettings
from tests.core.alarmed import Plant

PASSWORD = "correct horse battery"


@dataclass
class House:
    """A plant with alarms, its pages, and what was asked of the service."""

    plant: Plant
    folder: Path
    settings: WebSettings
    asked: list[tuple[str, Mapping[str, object]]] = field(default_factory=list)
    frozen: Sequence[Promise] = ()

    def __post_init__(self) -> None:
        self.people = People(self.folder)
        self.accounts = Accounts(self.site.refusals)
        self.offer = Offer(lambda: self.site, lambda: self.now, self.ask, lambda: None, self.folder)
        self.server = WebServer(self.offer, self.settings)

    @property
    def now(self) -> Now:
        return self.plant.now

    @property
    def site(self) -> Site:
        return self.plant.site

    def devices_at(self, _listener: str) -> Sequence[Device | None]:
        """Its only listener serves all of its devices."""
        devices = self.site.declared.devices
        return who_answers(devices, {device.name: device for device in devices})

    async def ask(self, name: str, request: Mapping[str, object]) -> Mapping[str, object]:
        self.asked.append((name, request))
        of_it = (lambda: self.site, lambda: self.now)
        of_map = MapCommands(*of_it, lambda: self.frozen)
        commands = {
            **AlarmCommands(*of_it, lambda: None).table(),
            **LinkTelling(*of_it).table(),
            **of_map.table(),
            **ConnectingCommands(*of_it, self.accounts, self.devices_at, of_map.is_frozen).table(),
        }
        return await commands[name](request) if name in commands else {"done": name}

    def client(self, host: str = "127.0.0.1") -> httpx.AsyncClient:
        """A browser of its own."""
        transport = httpx.ASGITransport(self.server.app, client=(host, 50000))
        return httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8080")

    def with_key(self, role: Role) -> httpx.AsyncClient:
        """A program that has a key of somebody with a role."""
        name = role.words
        if self.people.find(name) is None:
            self.people.add(name, role, PASSWORD)
        client = self.client()
        client.headers["authorization"] = f"Bearer {self.people.add_key(name)}"
        return client


@pytest.fixture
def house(tmp_path: Path) -> Callable[..., House]:
    """Build it: `house(open_to_look=True)`."""

    def build(**settings: object) -> House:
        return House(Plant(lambda _: {}), tmp_path, WebSettings("127.0.0.1", 8080, **settings))  # type: ignore[arg-type]

    return build
