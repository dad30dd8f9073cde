"""A site's files taken anew where something goes wrong meanwhile: the service goes on, and says what is so."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
import subprocess
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from structlog.testing import capture_logs

from aggregator.clock import Clock
from aggregator.config.configuration import Configuration, load
from aggregator.core.site import Site
from aggregator.daemon import Service
from aggregator.declared import broker_of
from aggregator.modbus_server import ModbusServer
from aggregator.reloading import NotTaken

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Service as Running

Command = Callable[..., subprocess.CompletedProcess[str]]
Until = Callable[..., Any]
STORED, LISTENER_AWAY = 4, 64  # bits 2 and 6 of the gateway's state
SECOND = "  - {tcp: 127.0.0.1:%d, allow: [{from: any}]%s}\n"


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new))


# Something that nobody thought of


@contextlib.asynccontextmanager
async def here(folder: Path) -> AsyncIterator[Service]:
    """The service of a site, on this process's own loop."""
    configuration = load(folder)
    broker = broker_of(configuration.service.broker)
    service = Service(configuration, broker, Clock(), folder / "data")
    service.stop_on_signals()
    started = asyncio.Event()
    running = asyncio.create_task(service.run(started.set))
    await asyncio.wait_for(started.wait(), 10)
    yield service
    assert not running.done(), running
    service.stop()
    await asyncio.wait_for(running, 10)


async def comes(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(15):
        while not condition():  # noqa: ASYNC110 - what is waited for comes about outside
            await asyncio.sleep(0.02)


def breaks(_folder: Path) -> Configuration:
    raise RuntimeError("nobody thought of this")


def hang_up(_folder: Path) -> None:
    os.kill(os.getpid(), signal.SIGHUP)


def edit(folder: Path) -> None:
    change(folder / "meters.yaml", "name: Point FT-101", "name: Another name")


@pytest.mark.parametrize("way", [hang_up, edit])
@pytest.mark.parametrize("part", ["load", "Service.reload_certificates"])
async def test_a_defect_while_files_are_taken_ends_nothing_and_counts_as_refused(
    part: str, way: Callable[[Path], None], site: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = site()
    with (folder / "site.yaml").open("a") as file:
        file.write("follow_files: yes\n")
    with capture_logs() as log:
        async with here(folder) as service:
            before = service.site
            monkeypatch.setattr(f"aggregator.daemon.{part}", breaks)
            way(folder)
            await comes(lambda: service.site.figures.files_refused)
            assert service.site is before
            assert service.configuration.declared.meters[0].name == "Point FT-101"
            monkeypatch.undo()
            edit(folder) if way is hang_up else change(folder / "meters.yaml", "Another name", "One more")
            await service.reloading.take("test")
            assert not service.site.figures.files_refused
    (said,) = [line for line in log if line.get("exc_info")]
    assert said["event"] == "files not taken, a defect of this program"


async def test_a_defect_after_the_new_site_serves_is_not_told_as_refused(
    site: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = site()

    async def fails(*_: object) -> None:
        raise RuntimeError("nobody thought of this")

    with capture_logs() as log:
        async with here(folder) as service:
            monkeypatch.setattr(service, "_recall_samples", fails)
            told = await service.reloading.take("test")
            assert told["generation"] == 1
            assert not service.site.figures.files_refused
    assert [line["event"] for line in log if line.get("exc_info")] == ["files taken, a defect of this program"]


async def test_a_site_that_fails_to_take_over_leaves_the_old_one_serving_by_its_own_files(
    site: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = site()

    def fails(*_: object) -> None:
        raise RuntimeError("nobody thought of this")

    with capture_logs():
        async with here(folder) as service:
            before, configuration = service.site, service.configuration
            monkeypatch.setattr(Site, "take_over", fails)
            with pytest.raises(NotTaken, match="defect of this program"):
                await service.reloading.take("test")
            assert service.site is before
            assert service.configuration is configuration


# A listener that cannot be opened


@contextlib.contextmanager
def listening_at(host: str, port: int) -> Iterator[socket.socket]:
    """Another program, which has a port of an address."""
    with socket.socket() as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        other.bind((host, port))
        other.listen()
        yield other


async def test_a_listener_that_cannot_be_opened_again_is_told_so_and_opened_once_it_can(
    site: Callable[..., Path], port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program takes the port in the moment in which it is closed, to be opened with other limits."""
    folder = site()
    with (folder / "site.yaml").open("a") as file:
        file.write(SECOND % (port, ""))
    with contextlib.ExitStack() as taken, capture_logs() as log:
        async with here(folder) as service:
            stop = ModbusServer.stop

            async def stop_and_lose(server: ModbusServer) -> None:
                await stop(server)
                taken.enter_context(listening_at("127.0.0.1", port))

            monkeypatch.setattr(ModbusServer, "stop", stop_and_lose)
            change(folder / "site.yaml", SECOND % (port, ""), SECOND % (port, ", clients: 3"))
            told: Any = await service.reloading.take("test")
            monkeypatch.undo()
            (away,) = told["listeners_away"]
            assert away["listener"] == f"127.0.0.1:{port}"
            assert "another program listens there" in away["reason"]
            assert told["generation"] == 1
            assert service.site.figures.figure("state", service.clock.now()) == LISTENER_AWAY | STORED
            taken.close()
            await comes(lambda: len(service.listening.servers) == 2)
            assert service.listening.servers[1].limits.clients == 3
            assert service.site.figures.figure("state", service.clock.now()) == STORED
    events = [line["event"] for line in log]
    assert events.count("listener away") == 1
    assert "changed files refused" not in events


def test_a_listener_may_be_widened_to_every_network_on_its_own_port(
    site: Callable[..., Path],
    service: Callable[..., Running],
    caller: Callable[..., Caller],
    command: Command,
    port: int,
    until: Until,
) -> None:
    """The port is this service's own; where one network's address is taken after all it is tried until it is free."""
    folder = site(tcp=f"127.0.0.1:{port}")
    service(folder)
    known = caller(port).registers(40, 16)
    with listening_at("127.0.0.2", port):
        change(folder / "site.yaml", f"127.0.0.1:{port}", f"0.0.0.0:{port}")
        told = command("reload", folder)
        assert told.returncode == 3
        assert told.stdout.startswith("taken, 1 time since the start")
        assert f"0.0.0.0:{port} is not open" in told.stderr
        status = command("status", folder).stdout
        assert f"0.0.0.0:{port}" in status
        assert "another program listens there" in status
        assert json.loads(command("status", folder, "--json").stdout)["listeners_away"][0]["reason"]
    client = until(lambda: reached(caller, port), what="the listener")
    assert client.registers(40, 16) == known
    assert client.figure("state") & LISTENER_AWAY == 0
    assert json.loads(command("status", folder, "--json").stdout)["listeners_away"] == []


def reached(caller: Callable[..., Caller], port: int) -> Caller | None:
    with contextlib.suppress(OSError):
        return caller(port)
    return None


def test_a_listener_that_is_away_can_be_taken_out_again(
    site: Callable[..., Path],
    service: Callable[..., Running],
    caller: Callable[..., Caller],
    command: Command,
    port: int,
) -> None:
    folder = site()
    with (folder / "site.yaml").open("a") as file:
        file.write(SECOND % (port, ""))
    client = caller(service(folder).port)
    with listening_at("127.0.0.2", port):
        change(folder / "site.yaml", SECOND % (port, ""), (SECOND % (port, "")).replace("127.0.0.1", "0.0.0.0"))
        assert command("reload", folder).returncode == 3
        assert client.figure("state") & LISTENER_AWAY
        change(folder / "site.yaml", (SECOND % (port, "")).replace("127.0.0.1", "0.0.0.0"), "")
        told = command("reload", folder)
        assert (told.returncode, told.stderr) == (0, "")
        assert client.figure("state") & LISTENER_AWAY == 0


def test_who_polled_at_a_listener_that_has_gone_is_still_listed(
    site: Callable[..., Path],
    service: Callable[..., Running],
    caller: Callable[..., Caller],
    command: Command,
    port: int,
) -> None:
    folder = site()
    with (folder / "site.yaml").open("a") as file:
        file.write(SECOND % (port, ""))
    service(folder)
    assert caller(port).ask(b"\4\x13\x88\0\1").hex() == "8402"
    change(folder / "site.yaml", SECOND % (port, ""), "")
    assert command("reload", folder).returncode == 0
    told = command("clients", folder)
    assert (told.returncode, told.stderr) == (0, "")
    assert f"127.0.0.1:{port}" in told.stdout


async def test_files_that_are_asked_for_during_the_start_are_taken_once_it_is_over(site: Callable[..., Path]) -> None:
    folder = site()
    configuration = load(folder)
    service = Service(configuration, broker_of(configuration.service.broker), Clock(), folder / "data")
    before = service.site
    taking = asyncio.create_task(service.reloading.take("somebody quick"))
    for _ in range(10):
        await asyncio.sleep(0)
    assert not taking.done()
    assert service.site is before
    running = asyncio.create_task(service.run())
    told = await asyncio.wait_for(taking, 15)
    assert told["generation"] == 1
    assert service.site is not before
    service.stop()
    await asyncio.wait_for(running, 10)


# Where the service's data stand


def test_after_a_change_of_the_data_folder_commands_find_the_service_that_still_uses_the_old_one(
    site: Callable[..., Path],
    service: Callable[..., Running],
    caller: Callable[..., Caller],
    command: Command,
    until: Until,
    tmp_path: Path,
) -> None:
    folder = site(alarms="{field: flow, high: 100 m3/h, deadband: 5 m3/h, priority: high}")
    running = service(folder)
    with (folder / "site.yaml").open("a") as file:
        file.write(f"storage: {{folder: {tmp_path / 'elsewhere'}}}\n")
    told = command("reload", folder)
    assert (told.returncode, told.stderr) == (0, "")
    assert "`storage` in site.yaml waits for the next start; until then the data stand in " in told.stdout
    assert str(folder / "data") in told.stdout
    assert caller(running.port).figure("generation") == 1
    assert command("test", "FT-101", "on", "--site", folder).stdout == "FT-101 is in test\n"
    assert "the next start" in command("status", folder).stdout
    until(lambda: "meter taken into test" in command("export", folder, "--journal").stdout, what="its journal")
    assert command("out-of-service", "FT-102", "flow high", "on", "--site", folder).returncode == 0

    def events() -> list[tuple[str, str]]:
        told = json.loads(command("alarms", folder, "--since", "1 h", "--json").stdout)["events"]
        return [(each["tag"], each["event"]) for each in told]

    until(lambda: ("FT-102", "alarm taken out of service") in events(), what="what became of the alarm")
    assert running.stop() == 0
    told = command("reload", folder)
    assert told.returncode == 3
    assert str(tmp_path / "elsewhere") in told.stderr


def test_a_service_of_another_site_is_not_asked_instead(
    site: Callable[..., Path], service: Callable[..., Running], command: Command
) -> None:
    service(site(name="one"))
    told = command("status", site(name="other"))
    assert told.returncode == 3
    assert "no service answers at" in told.stderr
