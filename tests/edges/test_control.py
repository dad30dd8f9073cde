"""The control socket: who may ask, what is answered, and that nobody who asks can hold the service up."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import stat
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.control import (
    LONGEST_ANSWER,
    LONGEST_REQUEST,
    MOST_CLIENTS,
    NAME,
    CannotAsk,
    ControlServer,
    NoService,
    Refused,
    Request,
    ask,
)

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Service

Command = Callable[..., subprocess.CompletedProcess[str]]


async def echo(request: Request) -> Request:
    return {"said": request.get("say")}


async def refuse(_request: Request) -> Request:
    raise Refused("not today.")


async def fail(_request: Request) -> Request:
    raise ZeroDivisionError


async def swell(_request: Request) -> Request:
    return {"much": "x" * LONGEST_ANSWER}


TABLE = {"echo": echo, "refuse": refuse, "fail": fail, "swell": swell}


@pytest.fixture
async def server(tmp_path: Path) -> AsyncIterator[ControlServer]:
    """A server of a few commands on the socket in `tmp_path`."""
    started = ControlServer(tmp_path, TABLE)
    await started.start()
    yield started
    await started.stop()


async def asked(folder: Path, **request: object) -> dict[str, Any]:
    return await asyncio.to_thread(ask, folder, request, 10.0)


@contextlib.asynccontextmanager
async def connected(folder: Path) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    reader, writer = await asyncio.open_unix_connection(folder / NAME, limit=2 * LONGEST_ANSWER)
    try:
        yield reader, writer
    finally:
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


async def exchanged(folder: Path, *lines: bytes) -> list[dict[str, Any]]:
    """Send lines over one connection and read an answer to each."""
    async with connected(folder) as (reader, writer):
        writer.writelines(lines)
        return [json.loads(await asyncio.wait_for(reader.readline(), 10)) for _ in lines]


async def test_a_request_is_answered(server: ControlServer, tmp_path: Path) -> None:
    assert await asked(tmp_path, do="echo", say="é") == {"said": "é"}


async def test_one_connection_may_ask_again_and_is_answered_in_order(server: ControlServer, tmp_path: Path) -> None:
    answers = await exchanged(tmp_path, *(b'{"do": "echo", "say": %d}\n' % each for each in range(20)))
    assert answers == [{"done": {"said": each}} for each in range(20)]


@pytest.mark.parametrize(
    "line",
    [
        b"\n",
        b"status\n",
        b"{\n",
        b"[]\n",
        b"null\n",
        b"{}\n",
        b'{"do": 1}\n',
        b'{"do": null}\n',
        b'{"do": "status", "do": "echo"}\n',
        b'{"do": "dance"}\n',
        b'{"do": "echo", "say": NaN}\n',
        b"\xff\xfe\x00\x01\n",
        b"[" * 5000 + b"\n",
        b"GET / HTTP/1.1\r\n",
        b'{"do": "refuse"}\n',
        b'{"do": "fail"}\n',
        b'{"do": "swell"}\n',
    ],
    ids=lambda line: repr(line[:24]),
)
async def test_garbage_is_answered_with_a_sentence_and_the_connection_goes_on(
    line: bytes, server: ControlServer, tmp_path: Path
) -> None:
    wrong, right = await exchanged(tmp_path, line, b'{"do": "echo", "say": 1}\n')
    assert list(wrong) == ["wrong"]
    assert wrong["wrong"].endswith(".")
    assert right == {"done": {"said": 1}}


async def test_an_unknown_name_is_answered_with_the_known_ones(server: ControlServer, tmp_path: Path) -> None:
    with pytest.raises(Refused, match="there is no `dance`; there is echo, fail, refuse, swell"):
        await asked(tmp_path, do="dance")


async def test_a_request_without_end_is_refused_and_ended(server: ControlServer, tmp_path: Path) -> None:
    async with connected(tmp_path) as (reader, writer):
        writer.write(b"x" * (LONGEST_REQUEST + 1))
        answer = json.loads(await asyncio.wait_for(reader.readline(), 10))
        assert str(LONGEST_REQUEST) in answer["wrong"]
        with contextlib.suppress(ConnectionError):  # the rest of what was sent is never read
            assert await asyncio.wait_for(reader.read(), 10) == b""
    assert await asked(tmp_path, do="echo", say=1) == {"said": 1}


async def test_a_client_that_takes_no_answer_delays_no_other(server: ControlServer, tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as greedy:
        greedy.setblocking(False)
        greedy.connect(str(tmp_path / NAME))
        line = json.dumps({"do": "echo", "say": "x" * 15_000}).encode() + b"\n"
        with contextlib.suppress(BlockingIOError):
            while True:  # asks, and never reads, until both directions are full
                greedy.send(line)
                await asyncio.sleep(0)
        assert await asked(tmp_path, do="echo", say=2) == {"said": 2}


async def test_a_client_that_says_nothing_delays_no_other_and_its_seat_is_bounded(
    server: ControlServer, tmp_path: Path
) -> None:
    async with contextlib.AsyncExitStack() as stack:
        silent = [await stack.enter_async_context(connected(tmp_path)) for _ in range(MOST_CLIENTS - 1)]
        silent[0][1].write(b'{"do": "ec')
        assert await asked(tmp_path, do="echo", say=3) == {"said": 3}
        silent.append(await stack.enter_async_context(connected(tmp_path)))
        one = silent[-1]
        one[1].write(b'{"do": "echo"}\n')
        await asyncio.wait_for(one[0].readline(), 10)  # so that it has its seat
        with pytest.raises(Refused, match="Try again"):
            await asked(tmp_path, do="echo")
    assert await asked(tmp_path, do="echo", say=4) == {"said": 4}


def test_a_refusal_is_heard_even_where_the_service_has_left_before_it_was_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The service's end is closed before a byte of the request is sent: every send then fails."""
    ours, theirs = socket.socketpair(socket.AF_UNIX)
    theirs.sendall(b'{"wrong": "too many ask at once. Try again."}\n')
    theirs.close()
    monkeypatch.setattr("aggregator.control._connected", lambda _path, _within: ours)
    with pytest.raises(Refused, match="Try again"):
        ask(tmp_path, {"do": "status"})


async def test_a_client_that_is_idle_is_let_go(
    server: ControlServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("aggregator.control.IDLE", 0.05)
    async with connected(tmp_path) as (reader, writer):
        writer.write(b'{"do": "ec')
        assert await asyncio.wait_for(reader.read(), 10) == b""


async def test_only_the_owner_may_open_the_socket(server: ControlServer, tmp_path: Path) -> None:
    """connect(2): write permission on the socket's file is needed, unix(7)."""
    mode = (tmp_path / NAME).stat().st_mode
    assert stat.S_ISSOCK(mode)
    assert stat.S_IMODE(mode) == 0o600


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can act as another user")
async def test_another_user_is_kept_out_by_the_file(server: ControlServer, tmp_path: Path) -> None:
    for folder in (tmp_path, *tmp_path.parents):
        if folder != Path("/tmp") and folder.is_relative_to("/tmp"):
            folder.chmod(0o755)  # so that it is the socket's own mode that keeps the other out
    script = (
        "import os, socket, sys; os.setgroups([]); os.setgid(int(sys.argv[1])); os.setuid(int(sys.argv[1])); "
        "socket.socket(socket.AF_UNIX).connect(sys.argv[2])"
    )
    both = [
        await asyncio.to_thread(
            subprocess.run,
            [sys.executable, "-c", script, str(user), str(tmp_path / NAME)],
            capture_output=True,
            text=True,
            check=False,
        )
        for user in (0, 65534)
    ]
    assert both[0].returncode == 0, both[0].stderr
    assert "PermissionError" in both[1].stderr


async def test_a_socket_that_may_not_be_opened_is_a_sentence(
    server: ControlServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def kept_out(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("aggregator.control._connected", kept_out)
    with pytest.raises(CannotAsk, match="may be used by the service's user only"):
        ask(tmp_path, {"do": "echo"})


async def test_where_no_service_runs_it_is_said(tmp_path: Path) -> None:
    with pytest.raises(NoService, match="no service answers at"):
        await asked(tmp_path, do="echo")


async def test_a_socket_left_behind_is_taken_over(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(tmp_path / NAME))
    with pytest.raises(NoService):
        await asked(tmp_path, do="echo")
    server = ControlServer(tmp_path, TABLE)
    await server.start()
    assert await asked(tmp_path, do="echo", say=1) == {"said": 1}
    await server.stop()
    assert not (tmp_path / NAME).exists()


async def test_a_second_service_leaves_the_first_one_s_socket_alone(server: ControlServer, tmp_path: Path) -> None:
    second = ControlServer(tmp_path, {})
    await second.start()
    await second.stop()
    assert await asked(tmp_path, do="echo", say=1) == {"said": 1}


async def test_a_file_of_that_name_is_not_touched(tmp_path: Path) -> None:
    (tmp_path / NAME).write_text("mine")
    server = ControlServer(tmp_path, TABLE)
    await server.start()
    await server.stop()
    assert (tmp_path / NAME).read_text() == "mine"


async def test_a_folder_with_a_long_name_has_a_socket_all_the_same(tmp_path: Path) -> None:
    """The kernel takes 107 bytes (unix(7)); sites nest deeper than that."""
    folder = tmp_path / ("gas-holder-" * 8) / ("north-" * 8)
    folder.mkdir(parents=True)
    server = ControlServer(folder, TABLE)
    await server.start()
    assert await asked(folder, do="echo", say=1) == {"said": 1}
    assert stat.S_IMODE((folder / NAME).stat().st_mode) == 0o600
    await server.stop()
    assert list(folder.iterdir()) == []


async def test_what_answers_and_is_no_service_is_said(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as other:
        other.bind(str(tmp_path / NAME))
        other.listen()

        def hang_up() -> None:
            taken, _ = other.accept()
            taken.recv(1000)
            taken.close()

        thread = threading.Thread(target=hang_up)
        thread.start()
        with pytest.raises(CannotAsk, match="is not this program's service, or it ended"):
            await asked(tmp_path, do="echo")
        thread.join(10)


# Around the service


def test_the_service_opens_its_socket_and_takes_it_away(
    site: Callable[..., Path], service: Callable[..., Service], command: Command
) -> None:
    folder = site()
    running = service(folder)
    there = folder / "data" / NAME
    assert stat.S_IMODE(there.stat().st_mode) == 0o600
    assert ask(folder / "data", {"do": "status"})["site"] == "Alder Fen biogas works"
    running.stop()
    assert not there.exists()
    ended = command("status", folder)
    assert ended.returncode == 3
    assert ended.stderr == f"no service answers at {there}. Is one running on this site?\n"


def test_a_service_that_was_killed_leaves_nothing_that_stops_the_next(
    site: Callable[..., Path], service: Callable[..., Service]
) -> None:
    folder = site()
    service(folder).kill()
    assert (folder / "data" / NAME).exists()
    service(folder)
    assert ask(folder / "data", {"do": "status"})["meters_total"] == 2


def test_the_service_serves_where_it_can_have_no_socket(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller]
) -> None:
    folder = site()
    (folder / "data" / NAME).mkdir(parents=True)
    running = service(folder)
    assert caller(running.port).figure("heartbeat") >= 0
    assert running.log("no control socket")
    assert running.stop() == 0


def test_garbage_on_the_socket_disturbs_no_register(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller]
) -> None:
    folder = site()
    running = service(folder)
    client = caller(running.port)
    for garbage in (
        b"\x00" * 40_000,
        b'{"do": "test", "tag": ["FT-101"], "on": 1}\n',
        b'{"do":' * 3000 + b"\n",
        b"\n" * 99,
    ):
        with socket.socket(socket.AF_UNIX) as sock:
            sock.settimeout(10)
            sock.connect(str(folder / "data" / NAME))
            with contextlib.suppress(ConnectionError):
                sock.sendall(garbage)
                sock.recv(1000)
        assert client.ask(bytes.fromhex("04 00 28 00 01")) == bytes.fromhex("04 02 12 34")
    assert ask(folder / "data", {"do": "status"})["meters_under_test"] == 0
