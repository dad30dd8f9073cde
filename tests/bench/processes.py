"""Processes that the measurements run against: started, bounded in time, stopped for sure.

Each dies with the process that started it (prctl(2) PR_SET_PDEATHSIG, set by setpriv(1)), and the bench itself has a
time limit, so nothing is left behind whatever happens.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
LOOPBACK = "127.0.0.1"
READ_INPUT = 4
READ_DISCRETE = 2
HEADER = struct.Struct(">HHHB")
TICKS_PER_SECOND = os.sysconf("SC_CLK_TCK")


class BenchError(Exception):
    """Something measured did not do what it must, so that its figure would mean nothing."""


@contextlib.contextmanager
def process(*command: str, log: Path | None = None) -> Iterator[subprocess.Popen[str]]:
    """A process of its own, with a pipe to read its lines from; ended when the block is left."""
    with contextlib.ExitStack() as stack:
        errors = stack.enter_context(log.open("a")) if log else None
        running = stack.enter_context(
            subprocess.Popen(
                ("setpriv", "--pdeathsig", "KILL", "--", *command),
                cwd=ROOT,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=errors,
                text=True,
            )
        )
        try:
            yield running
        finally:
            stop(running)


def python(
    module: str, *arguments: object, log: Path | None = None
) -> contextlib.AbstractContextManager[subprocess.Popen[str]]:
    """A module of this checkout, run by this Python in a process of its own."""
    return process(sys.executable, "-m", module, *map(str, arguments), log=log)


def stop(running: subprocess.Popen[str]) -> None:
    """End a process: politely, and if that takes longer than 5 s, at once."""
    if running.poll() is None:
        running.send_signal(signal.SIGTERM)
        try:
            running.wait(5)
        except subprocess.TimeoutExpired:
            running.kill()
            running.wait(5)


def line_of(running: subprocess.Popen[str], within: float) -> str:
    """The next line a process prints. Raises BenchError where none comes in time (s)."""
    assert running.stdout is not None
    ready, _, _ = select.select([running.stdout], [], [], within)
    line = running.stdout.readline() if ready else ""
    if not line:
        raise BenchError(f"{running.args!r} printed nothing within {within:.0f} s (exit code {running.poll()})")
    return line.strip()


def cpu_seconds(pid: int) -> float:
    """Processor time a process has used so far, user and system (proc(5), /proc/PID/stat fields 14 and 15)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_SECOND


def cpu_seconds_now(pid: int) -> float:
    """The same to the nanosecond, of the threads that it has now (/proc/PID/task/TID/schedstat, first field)."""
    return sum(int(each.read_text().split()[0]) for each in Path(f"/proc/{pid}/task").glob("*/schedstat")) / 1e9


def resident_megabytes(pid: int) -> float:
    """Memory of a process that is in RAM now (proc(5), VmRSS), in units of 10^6 bytes."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:")) * 1024 / 1e6


def free_port() -> int:
    """A TCP port of the loopback that is free now."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port


def wait_for(what: str, is_so: Callable[[], bool], within: float, every: float = 0.005) -> None:
    """Look again and again until something is so. Raises BenchError after `within` seconds."""
    end = time.monotonic() + within
    while not is_so():
        if time.monotonic() > end:
            raise BenchError(f"{what}: not so after {within:.0f} s")
        time.sleep(every)


def listens(port: int) -> bool:
    """Whether something takes connections on a port of the loopback."""
    with contextlib.suppress(OSError), socket.create_connection((LOOPBACK, port), 1):
        return True
    return False


@contextlib.contextmanager
def broker(folder: Path) -> Iterator[int]:
    """A broker of our own on a free port that keeps any number of messages, in memory only. Gives the port."""
    port = free_port()
    settings = folder / "mosquitto.conf"
    # `user root`: where it is started by root it must stay so, as changing users clears the signal set by setpriv.
    settings.write_text(
        f"user root\nlistener {port} {LOOPBACK}\nallow_anonymous true\npersistence false\n"
        "max_queued_messages 0\nmax_inflight_messages 0\nset_tcp_nodelay true\nlog_type error\n"
    )
    with process("mosquitto", "-c", str(settings), log=folder / "mosquitto.log"):
        wait_for("the broker listens", lambda: listens(port), 10)
        yield port


class Registers:
    """A blocking Modbus TCP client, as small as can be, that reads input registers and discrete inputs of unit 1."""

    def __init__(self, port: int, within: float = 5.0) -> None:
        self._socket = socket.create_connection((LOOPBACK, port), within)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._transaction = 0

    def read(self, start: int, count: int) -> bytes:
        """The bytes of `count` registers. Raises BenchError for anything but the answer to this request."""
        return self._ask(READ_INPUT, start, count, 2 * count)

    def read_bits(self, start: int, count: int) -> bytes:
        """So many discrete inputs, eight a byte. Raises BenchError as `read` does."""
        return self._ask(READ_DISCRETE, start, count, (count + 7) // 8)

    def _ask(self, function: int, start: int, count: int, length: int) -> bytes:
        self._transaction = self._transaction + 1 & 0xFFFF
        self._socket.sendall(HEADER.pack(self._transaction, 0, 6, 1) + struct.pack(">BHH", function, start, count))
        size = 9 + length
        answer = b""
        while len(answer) < size:
            part = self._socket.recv(size - len(answer))
            if not part:
                raise BenchError("the server closed the connection")
            answer += part
            if len(answer) > 7 and answer[7] != function:
                raise BenchError(f"the read of {start} was answered with {answer.hex()}")
        if answer[:9] != HEADER.pack(self._transaction, 0, 3 + length, 1) + bytes((function, length)):
            raise BenchError(f"the answer has the head {answer[:9].hex()}")
        return answer[9:]

    def close(self) -> None:
        """End the connection."""
        self._socket.close()
