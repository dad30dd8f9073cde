"""The service as a process: it starts, serves, tells the service manager, and ends in good order."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Service

READ_ONE = bytes.fromhex("04 00 28 00 01")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_the_service_cleanly_within_two_seconds(
    number: int, site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller]
) -> None:
    running = service(site())
    client = caller(running.port)
    client.ask(READ_ONE)
    began = time.monotonic()
    running.process.send_signal(number)
    assert running.process.wait(10) == 0
    assert time.monotonic() - began < 2
    assert client.is_closed()
    assert running.log()[-1]["event"] == "stopped"


def silent_port(backlog: list[socket.socket]) -> int:
    """A port whose listener never answers: its queue is full, so that a connection hangs, as behind a firewall."""
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    listener.listen(0)
    backlog.append(listener)
    for _ in range(4):
        waiting = socket.socket()
        waiting.setblocking(False)
        waiting.connect_ex(listener.getsockname())
        backlog.append(waiting)
    port: int = listener.getsockname()[1]
    return port


@pytest.mark.parametrize("tls", ["", "  tls: {}"])
def test_a_broker_that_hangs_delays_neither_the_ports_nor_the_end(
    tls: str, site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller]
) -> None:
    backlog: list[socket.socket] = []
    if tls:  # connects, and never shakes hands
        backlog.append(socket.create_server(("127.0.0.1", 0)))
        port = backlog[0].getsockname()[1]
    else:
        port = silent_port(backlog)
    running = service(site(port, extra=tls))
    client = caller(running.port)
    assert client.ask(READ_ONE) == bytes.fromhex("04 02 12 34")
    began = time.monotonic()
    assert running.stop() == 0
    assert time.monotonic() - began < 2
    for each in backlog:
        each.close()


def test_a_port_in_use_ends_with_code_3_and_a_sentence(site: Callable[..., Path], port: int) -> None:
    with socket.create_server(("127.0.0.1", port)):
        ended = run_to_its_end(site(tcp=f"127.0.0.1:{port}"))
    assert ended.returncode == 3
    assert f"cannot listen on 127.0.0.1:{port}: another program listens there." in ended.stderr
    assert "Traceback" not in ended.stderr


def test_a_password_that_is_not_there_ends_with_code_3_and_a_sentence(
    site: Callable[..., Path], tmp_path: Path
) -> None:
    ended = run_to_its_end(site(extra="  user: aggregator\n  password: {environment: ALDER_FEN_NOT_SET}"))
    assert ended.returncode == 3
    assert "the environment variable ALDER_FEN_NOT_SET is not set" in ended.stderr
    missing = tmp_path / "no-such-file"
    ended = run_to_its_end(site(extra=f"  user: aggregator\n  password: {{file: {missing}}}"))
    assert ended.returncode == 3
    assert str(missing) in ended.stderr
    assert "Traceback" not in ended.stderr


def test_tls_files_that_cannot_be_used_end_with_code_3_and_their_name(
    site: Callable[..., Path], tmp_path: Path
) -> None:
    wrong = tmp_path / "ca.pem"
    wrong.write_text("this is no certificate")
    ended = run_to_its_end(site(extra=f"  tls: {{ca: {wrong}}}"))
    assert ended.returncode == 3
    assert str(wrong) in ended.stderr
    assert "Traceback" not in ended.stderr


def run_to_its_end(folder: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "aggregator", "run", str(folder), "--log", "json"]
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)


def test_every_line_of_the_log_is_one_json_object_with_a_level_and_a_time(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller]
) -> None:
    running = service(site())
    client = caller(running.port)
    client.sock.sendall(b"GET / HTTP/1.1\r\n\r\n")
    assert client.is_closed()
    running.stop()
    lines = [json.loads(line) for line in running.log_file.read_text().splitlines()]
    assert {"event", "level", "timestamp"} <= set.intersection(*(set(line) for line in lines))
    assert any("not a safety function" in line["event"] for line in lines)


def test_the_service_manager_hears_ready_then_signs_of_life_then_stopping(
    site: Callable[..., Path], service: Callable[..., Service], tmp_path: Path
) -> None:
    """The words are those of sd_notify(3)."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(10)
        environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "400000"}
        running = service(site(listener="clients: 1"), environment)
        heard = [manager.recv(100) for _ in range(3)]
        assert heard == [b"READY=1", b"WATCHDOG=1", b"WATCHDOG=1"]
        assert running.stop() == 0
        manager.settimeout(0.5)
        rest = []
        while b"STOPPING=1" not in rest:
            rest.append(manager.recv(100))
        assert set(rest[:-1]) <= {b"WATCHDOG=1"}


def until_silent(manager: socket.socket) -> None:
    with contextlib.suppress(TimeoutError):
        while True:
            manager.recv(100)


def test_a_service_whose_loop_stands_still_gives_no_sign_of_life(
    site: Callable[..., Path], service: Callable[..., Service], tmp_path: Path
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(10)
        environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "400000"}
        running = service(site(), environment)
        assert [manager.recv(100) for _ in range(2)] == [b"READY=1", b"WATCHDOG=1"]
        running.process.send_signal(signal.SIGSTOP)
        manager.settimeout(0.6)
        until_silent(manager)
        running.process.send_signal(signal.SIGCONT)
        manager.settimeout(10)
        assert manager.recv(100) == b"WATCHDOG=1"


def test_the_watchdogs_own_poll_takes_no_client_its_place(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller], tmp_path: Path
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(10)
        environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "400000"}
        running = service(site(listener="clients: 2"), environment)
        clients = [caller(running.port) for _ in range(2)]
        for each in clients:
            each.ask(READ_ONE)
        signs = 0
        while signs < 4:
            signs += manager.recv(100) == b"WATCHDOG=1"
        assert {each.ask(READ_ONE) for each in clients} == {bytes.fromhex("04 02 12 34")}


def test_a_manager_that_has_gone_stops_nothing(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller], tmp_path: Path
) -> None:
    environment = {"NOTIFY_SOCKET": str(tmp_path / "nobody"), "WATCHDOG_USEC": "200000"}
    running = service(site(), environment)
    heartbeat = caller(running.port).figure("heartbeat")
    assert isinstance(heartbeat, int)
    assert running.stop() == 0


def test_a_manager_that_takes_nothing_more_stops_nothing(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller], tmp_path: Path
) -> None:
    """The kernel holds a few datagrams for it, and then has whoever sends the next one wait (unix(7))."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "manager"))
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as full:
            full.connect(str(tmp_path / "manager"))
            with contextlib.suppress(BlockingIOError):
                while True:
                    full.send(b"STATUS=")
        running = service(site(), {"NOTIFY_SOCKET": str(tmp_path / "manager"), "WATCHDOG_USEC": "200000"})
        assert caller(running.port).figure("meters_total") == 2
        assert running.stop() == 0


def test_the_heartbeat_counts_while_nothing_else_happens(
    site: Callable[..., Path],
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
    until: Callable[..., Any],
) -> None:
    client = caller(service(site()).port)
    first = client.figure("heartbeat")
    until(lambda: client.figure("heartbeat") >= first + 2, 5, "a heartbeat")


def test_the_service_runs_without_a_terminal_a_home_or_a_language(
    site: Callable[..., Path], service: Callable[..., Service]
) -> None:
    running = service(site(), {"LANG": "C", "LC_ALL": "C", "HOME": "/nonexistent", "PYTHONUTF8": "0"})
    assert running.stop() == 0
