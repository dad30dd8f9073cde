"""The register device on a real pair of ports, read by foreign clients, and on a line that is not ours alone.

socat makes the pair (pseudo-terminals). They carry bytes as a line does, but at any baud, without parity and at once;
so settings are tested for what the driver is told, not for what it does with them.

Sources: MODBUS over Serial Line V1.02 sections 2.1 to 2.5; frames of the worked examples of MODBUS Application Protocol
Specification V1.1b3. What happens on shared lines: common practice, no source.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import re
import select
import socket
import struct
import subprocess
import sys
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
import serial
import structlog
import uvloop
from crccheck.crc import CrcModbus
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusIOException

from aggregator import serial_port
from aggregator.clock import Clock
from aggregator.config.configuration import load
from aggregator.core.access import EVERYTHING, Party
from aggregator.core.account import Account
from aggregator.core.diagnostics import Sub, Trouble
from aggregator.core.outbox import Outbox
from aggregator.core.reading import Now
from aggregator.core.refusals import Refusals
from aggregator.core.serial_server import SerialServer
from aggregator.core.site import Site
from aggregator.serial_port import PortSettings, SerialPort

pytestmark = pytest.mark.peer("socat", "mbpoll")
LINE = Party("serial line", EVERYTHING)
OTHERS = (2, 9, 17, 247)


def account_of_line() -> Account:
    return Account("serial line", LINE.name, Now(0.0, 0.0), Refusals(Outbox()))


def framed(unit: int, pdu: str | bytes) -> bytes:
    frame = bytes((unit,)) + (bytes.fromhex(pdu) if isinstance(pdu, str) else pdu)
    return frame + int(CrcModbus.calc(frame)).to_bytes(2, "little")


HEARTBEAT = framed(1, "04 00 00 00 01")
TEST_WORD = framed(1, "04 00 28 00 01")  # the test block's first register, 0x1234
TEST_ANSWER = framed(1, "04 02 12 34")


@dataclass
class Pair:
    """Two ports and what lies between them."""

    ours: Path
    theirs: Path
    peer: dict[str, str]
    process: subprocess.Popen[bytes] | None = None

    def plug_in(self) -> None:
        """Both ends are there once this returns."""
        ends = (f"pty,raw,echo=0,link={self.ours}", f"pty,raw,echo=0,link={self.theirs}")
        self.process = subprocess.Popen((self.peer["socat"], *ends), stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + 10
        while not (self.ours.exists() and self.theirs.exists()):
            assert time.monotonic() < deadline
            time.sleep(0.01)

    def pull_out(self) -> None:
        assert self.process
        self.process.terminate()
        self.process.wait(10)


@pytest.fixture
def pair(tmp_path: Path, peer: dict[str, str]) -> Iterator[Pair]:
    two = Pair(tmp_path / "ours", tmp_path / "theirs", peer)
    two.plug_in()
    yield two
    two.pull_out()


@dataclass
class Shared:
    """The far end of the line, with nothing between the test and the bytes."""

    descriptor: int

    def say(self, *portions: bytes, apart: float = 0.0) -> None:
        for portion in portions:
            os.write(self.descriptor, portion)
            if apart:
                time.sleep(apart)

    def hear(self, size: int, within: float = 5.0) -> bytes:
        """As many bytes, or what has come of them in time."""
        data, end = b"", time.monotonic() + within
        while len(data) < size and select.select([self.descriptor], [], [], max(0.0, end - time.monotonic()))[0]:
            data += os.read(self.descriptor, size - len(data))
        return data

    def ask(self, frame: bytes, size: int = 7) -> bytes:
        self.say(frame)
        return self.hear(size)

    def is_silent(self, within: float = 0.15) -> bool:
        return self.hear(1, within) == b""


@pytest.fixture
def shared(pair: Pair) -> Iterator[Shared]:
    descriptor = os.open(pair.theirs, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    tty.setraw(descriptor)
    yield Shared(descriptor)
    os.close(descriptor)


@dataclass
class Served:
    """The small site on a port, on a loop in a thread of its own."""

    loop: asyncio.AbstractEventLoop
    port: SerialPort
    server: SerialServer
    site: Site

    def counted(self, sub: Sub, unit: int = 1) -> int:
        return self.server.diagnostics[unit].counts[sub]


@pytest.fixture(params=["asyncio", "uvloop"])
def served(
    request: pytest.FixtureRequest, pair: Pair, site: Callable[..., Path], until: Callable[..., Any]
) -> Iterator[Callable[..., Served]]:
    """Serve the small site on the near end: `served(units=(1, 17), baud=9600)`."""
    ends: list[Callable[[], None]] = []

    def serve(units: tuple[int, ...] = (1,), **keys: Any) -> Served:
        clock = Clock()
        loop = uvloop.new_event_loop() if request.param == "uvloop" else asyncio.new_event_loop()
        small = Site(load(site()).declared, clock.now())
        settings, account = PortSettings(str(pair.ours), **keys), account_of_line()
        server = SerialServer(dict.fromkeys(units, small.images[1]), LINE, account, settings.wire)

        async def start() -> tuple[SerialPort, asyncio.Task[None]]:
            port = SerialPort(settings, server, clock.now)
            return port, asyncio.create_task(port.run())

        async def stop() -> None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

        thread = threading.Thread(target=loop.run_forever, name="served", daemon=True)
        thread.start()
        port, task = asyncio.run_coroutine_threadsafe(start(), loop).result(10)

        def end() -> None:
            asyncio.run_coroutine_threadsafe(stop(), loop).result(10)
            loop.call_soon_threadsafe(loop.stop)
            thread.join(10)
            loop.close()

        ends.append(end)
        # the first silence: from then on everything that is heard is understood
        until(lambda: port.is_open and server.line.due is None, what="the first silence")
        return Served(loop, port, server, small)

    yield serve
    for end in ends:
        end()


@contextmanager
def client_on(pair: Pair, within: float = 3.0) -> Iterator[ModbusSerialClient]:
    client = ModbusSerialClient(str(pair.theirs), baudrate=19200, parity="N", timeout=within, retries=0)
    assert client.connect()
    yield client
    client.close()  # type: ignore[no-untyped-call]


def mbpoll(pair: Pair, *arguments: str, values: tuple[str, ...] = ()) -> subprocess.CompletedProcess[str]:
    command = (pair.peer["mbpoll"], "-m", "rtu", "-b", "19200", "-P", "none", "-s", "2", "-0", "-1", *arguments)
    line = (*command, str(pair.theirs), *values)
    return subprocess.run(line, capture_output=True, text=True, timeout=30, check=False)


# Foreign clients


def test_a_library_s_client_reads_every_table_and_writes(pair: Pair, served: Callable[..., Served]) -> None:
    served()
    with client_on(pair) as client:
        assert client.read_input_registers(40, count=1, device_id=1).registers == [0x1234]
        assert client.read_discrete_inputs(0, count=8, device_id=1).bits == [bool(int(bit)) for bit in "10100101"]
        assert not client.write_register(9000, 0xABCD, device_id=1).isError()
        assert not client.write_registers(9002, [0x1234, 0x5678], device_id=1).isError()
        assert client.read_holding_registers(9000, count=4, device_id=1).registers == [0xABCD, 0, 0x1234, 0x5678]
        assert not client.write_coils(0, [True, True, False], device_id=1).isError()
        assert not client.write_coil(1, value=False, device_id=1).isError()
        assert client.read_coils(0, count=3, device_id=1).bits[:3] == [True, False, False]
        assert client.read_input_registers(100, count=32, device_id=1).registers[0] == 0x0007  # never seen
        assert client.read_input_registers(5000, count=1, device_id=1).exception_code == 2
        assert client.readwrite_registers(
            read_address=9000, read_count=1, write_address=9000, values=[7], device_id=1
        ).registers == [7]


def test_a_library_s_client_asks_for_the_diagnostics(pair: Pair, served: Callable[..., Served]) -> None:
    running = served()
    with client_on(pair) as each:
        client: Any = each  # the library gives the answers' own attributes no types
        assert client.diag_query_data(b"\xa5\x37", device_id=1).message == b"\xa5\x37"
        client.read_input_registers(5000, count=1, device_id=1)
        assert client.diag_read_bus_exception_error_count(device_id=1).message == 1
        assert client.diag_read_device_message_count(device_id=1).message == 4
        assert client.diag_get_comm_event_counter(device_id=1).count == 3
        log = client.diag_get_comm_event_log(device_id=1)
        assert (log.event_count, log.message_count) == (3, 6)
        assert log.events == [0x80, 0x40, 0x80, 0x40, 0x80, 0x40, 0x80, 0x41, 0x80, 0x40, 0x80]
        assert not client.diag_clear_counters(device_id=1).isError()
    assert running.counted(Sub.BUS_MESSAGES) == 0


def test_mbpoll_reads_and_writes(pair: Pair, served: Callable[..., Served]) -> None:
    served()
    read = mbpoll(pair, "-a", "1", "-r", "40", "-c", "1", "-t", "3:hex")
    assert read.returncode == 0, read.stderr
    assert "0x1234" in read.stdout
    wrote = mbpoll(pair, "-a", "1", "-r", "9000", "-t", "4", values=("4242",))
    assert wrote.returncode == 0, wrote.stderr
    assert "4242" in mbpoll(pair, "-a", "1", "-r", "9000", "-c", "1", "-t", "4").stdout


@pytest.mark.peer("libmodbus", "gcc")
def test_a_program_on_libmodbus_reads_and_writes(pair: Pair, served: Callable[..., Served], program: Path) -> None:
    served()
    line = [str(program), "along", str(pair.theirs), "40", "2"]
    asked = subprocess.run(line, capture_output=True, text=True, timeout=30, check=True)
    assert asked.stdout.splitlines() == [
        "read input registers 2",
        "1234 FFFE",
        "write bit 1",
        "read bits 1",
        "1",
        "read past the end -1 Illegal data address",
    ]


def test_several_unit_ids_answer_and_others_are_left_to_others(pair: Pair, served: Callable[..., Served]) -> None:
    served(units=(1, 17))
    with client_on(pair) as client:
        for unit in (1, 17):
            assert client.read_input_registers(40, count=1, device_id=unit).registers == [0x1234]
    with client_on(pair, within=0.2) as client, pytest.raises(ModbusIOException):
        client.read_input_registers(40, count=1, device_id=2)


def test_everybody_is_told_and_nobody_answers(
    pair: Pair, served: Callable[..., Served], shared: Shared, until: Callable[..., Any]
) -> None:
    running = served()
    shared.say(framed(0, "06 23 28 00 2A"))  # 0x2328 is 9000
    until(lambda: running.server.requests == 1)
    assert shared.is_silent()
    assert shared.ask(framed(1, "03 23 28 00 01")) == framed(1, "03 02 00 2A")
    assert running.counted(Sub.NO_RESPONSES) == 1


# What is heard


def test_an_answer_comes_after_three_and_a_half_characters_and_not_before(
    served: Callable[..., Served], shared: Shared
) -> None:
    served(baud=1200)  # 32 ms by V1.02 section 2.5.1.1
    began = time.monotonic()
    assert shared.ask(TEST_WORD) == TEST_ANSWER
    assert time.monotonic() - began >= 0.032


def test_a_wrong_crc_is_answered_by_nothing_and_the_next_request_is(
    served: Callable[..., Served], shared: Shared
) -> None:
    running = served()
    shared.say(TEST_WORD[:-1] + bytes((TEST_WORD[-1] ^ 1,)))
    assert shared.is_silent()
    assert shared.ask(TEST_WORD) == TEST_ANSWER
    assert running.counted(Sub.BUS_ERRORS) == 1


def test_a_request_may_come_byte_by_byte_and_half_of_one_is_forgotten(
    served: Callable[..., Served], shared: Shared, until: Callable[..., Any]
) -> None:
    running = served()
    shared.say(*(TEST_WORD[at : at + 1] for at in range(len(TEST_WORD))), apart=0.003)
    assert shared.hear(7) == TEST_ANSWER
    shared.say(TEST_WORD[:5])
    until(lambda: running.counted(Sub.BUS_ERRORS) == 1)
    assert shared.ask(TEST_WORD) == TEST_ANSWER


def test_not_a_byte_is_sent_for_others_whatever_they_say(served: Callable[..., Served], shared: Shared) -> None:
    """Another client's day on a shared line: requests and answers, right, wrong and cut, in any portions."""
    running = served()
    chance = random.Random(20)
    hidden = framed(1, "06 23 28 00 01")  # a write to us, inside others' answers
    words = [hidden + b"\0\0", bytes(10), chance.randbytes(10), TEST_WORD + TEST_WORD[:2]]
    for turn in range(120):
        unit = chance.choice(OTHERS)
        request = framed(unit, "03" + chance.randbytes(2).hex() + "0005")
        answer = framed(unit, b"\x03\x0a" + words[turn % 4])
        traffic = request + (b"" if turn % 5 == 0 else answer)  # a fifth of the servers is dead
        cut = chance.randint(1, len(traffic))
        shared.say(traffic[:cut], traffic[cut:], apart=0.002)
    assert shared.is_silent()
    assert shared.ask(TEST_WORD) == TEST_ANSWER
    assert running.server.requests == 1


def test_own_answers_go_on_between_others_traffic_and_noise(
    served: Callable[..., Served], shared: Shared, until: Callable[..., Any]
) -> None:
    running = served()
    for turn in range(20):
        shared.say(framed(9, "04 00 00 00 01"), framed(9, "04 02 12 34"))
        assert shared.ask(TEST_WORD) == TEST_ANSWER, turn
        shared.say(random.Random(turn).randbytes(30))
        until(lambda seen=turn + 1: running.counted(Sub.BUS_ERRORS) == seen)
    assert running.server.requests == 20


def test_a_server_that_was_busy_answers_only_the_request_that_is_still_waited_for(
    served: Callable[..., Served], shared: Shared
) -> None:
    running = served()
    running.loop.call_soon_threadsafe(time.sleep, 0.3)  # meanwhile the client gives up and goes on
    shared.say(framed(1, "06 23 28 00 01"), framed(9, "04 00 00 00 01"), apart=0.05)
    shared.say(TEST_WORD)
    assert shared.hear(7) == TEST_ANSWER
    assert shared.is_silent()
    assert shared.ask(framed(1, "03 23 28 00 01")) == framed(1, "03 02 00 00")
    assert running.counted(Sub.NO_RESPONSES) == 1


def test_an_adapter_that_hands_back_what_it_sends_starts_no_endless_talk(
    served: Callable[..., Served], shared: Shared
) -> None:
    running = served()
    write = framed(1, "05 00 00 FF 00")
    for request, size in ((write, 8), (TEST_WORD, 7), (write, 8), (write, 8)):
        answer = shared.ask(request, size)
        assert len(answer) == size
        shared.say(answer)
        assert shared.is_silent(0.05)
    assert running.server.requests == 4
    assert running.server.line.hears_itself


# The port


@pytest.mark.parametrize(
    ("keys", "flags"),
    [
        ({}, ("8E1", termios.B19200)),
        ({"baud": 9600, "parity": "none", "stop_bits": 2}, ("8N2", termios.B9600)),
        ({"baud": 115200, "parity": "odd"}, ("8O1", termios.B115200)),
        ({"baud": 300, "parity": "none"}, ("8N1", termios.B300)),
    ],
)
def test_the_driver_is_told_baud_parity_and_stop_bits(
    served: Callable[..., Served], keys: dict[str, Any], flags: tuple[str, int]
) -> None:
    """What is told, as the driver of a pair of pseudo-terminals drops it; without the exception made for those."""
    told: list[list[Any]] = []
    real = termios.tcsetattr

    def tell(descriptor: int, when: int, attributes: list[Any]) -> None:
        told.append(attributes)
        real(descriptor, when, attributes)

    with patch.object(termios, "tcsetattr", tell), patch.object(serial_port, "PSEUDO_TERMINALS", "nowhere"):
        running = served(**keys)
    control, speed = told[-1][2], told[-1][4]
    parity = "N" if not control & termios.PARENB else "O" if control & termios.PARODD else "E"
    assert control & termios.CSIZE == termios.CS8
    assert f"8{parity}{2 if control & termios.CSTOPB else 1}" == flags[0]
    assert speed == flags[1]
    assert str(running.port.settings).endswith(flags[0])
    assert not told[-1][0] & (termios.IXON | termios.IXOFF)
    assert not control & termios.CRTSCTS


def test_a_port_that_goes_away_is_opened_again_when_it_is_back(
    pair: Pair, served: Callable[..., Served], until: Callable[..., Any]
) -> None:
    running = served()
    with client_on(pair) as client:
        assert client.read_input_registers(40, count=1, device_id=1).registers == [0x1234]
    pair.pull_out()
    until(lambda: not running.port.is_open)
    until(lambda: "Is the adapter plugged in?" in (running.port.trouble or ""))
    pair.plug_in()
    until(lambda: running.port.is_open and running.server.line.due is None)
    with client_on(pair) as client:
        assert client.read_input_registers(40, count=1, device_id=1).registers == [0x1234]
    assert running.server.diagnostics[1].trouble & Trouble.PORT_REOPENED


def test_a_port_that_is_not_there_yet_is_opened_when_it_comes(
    pair: Pair, served: Callable[..., Served], until: Callable[..., Any]
) -> None:
    pair.pull_out()
    plug_in = threading.Timer(0.5, pair.plug_in)
    plug_in.start()
    running = served()
    plug_in.join()
    assert running.port.is_open


async def trouble_with(settings: PortSettings) -> str:
    """Why a port cannot be opened, as it says after its first try."""
    server = SerialServer({}, LINE, account_of_line(), settings.wire)
    told = asyncio.Event()
    port = SerialPort(settings, server, Clock().now, told.set)
    task = asyncio.create_task(port.run())
    await asyncio.wait_for(told.wait(), 10)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    return port.trouble or ""


async def test_what_keeps_a_port_from_being_opened_is_said_in_words(pair: Pair, tmp_path: Path) -> None:
    missing, plain = tmp_path / "missing", tmp_path / "plain"
    plain.write_text("no port")
    assert "Is the adapter plugged in?" in await trouble_with(PortSettings(str(missing)))
    assert "cannot be opened" in await trouble_with(PortSettings(str(plain)))
    assert "cannot turn an RS-485 line around" in await trouble_with(PortSettings(str(pair.ours), rs485=True))
    with serial.Serial(str(pair.ours), exclusive=True):
        assert "another program has" in await trouble_with(PortSettings(str(pair.ours)))
    with patch.object(serial.Serial, "open", side_effect=PermissionError(13, "Permission denied")):
        assert "dialout" in await trouble_with(PortSettings(str(pair.ours)))
    with patch.object(serial.Serial, "open", side_effect=ValueError("Invalid baud rate")):
        assert "19200 baud" in await trouble_with(PortSettings(str(pair.ours)))


async def test_an_rs485_driver_is_told_to_turn_the_line_around(pair: Pair, until: Callable[..., Any]) -> None:
    """RTS up while sending, down while not: linux/serial.h, SER_RS485_ENABLED and SER_RS485_RTS_ON_SEND."""
    asked: list[int] = []

    def ioctl(_descriptor: int, request: int, buffer: Any) -> int:
        if request == 0x542F:  # TIOCSRS485
            asked.append(buffer[0])
        return 0

    with patch("serial.serialposix.fcntl.ioctl", ioctl):
        assert serial_port._port_of(PortSettings(str(pair.ours), rs485=True)).rs485_mode is not None
        port = serial_port._port_of(PortSettings(str(pair.ours), rs485=True))
        port.open()
        port.close()
    assert asked
    assert asked[-1] & 0b111 == 0b011


def test_characters_that_the_driver_lost_are_counted(
    served: Callable[..., Served], shared: Shared, until: Callable[..., Any]
) -> None:
    """The driver of a pair counts nothing, so the count is put in its place: struct serial_icounter_struct."""
    running = served()
    lost = struct.pack("20i", *(0,) * 7, 3, 0, 0, 2, *(0,) * 9)
    with patch("aggregator.serial_port.fcntl.ioctl", return_value=lost):
        shared.say(TEST_WORD[:5])
        until(lambda: running.counted(Sub.OVERRUNS) == 5)
        shared.say(TEST_WORD[:5])
        until(lambda: running.counted(Sub.BUS_ERRORS) == 2)
    assert running.counted(Sub.OVERRUNS) == 5


def test_a_defect_costs_one_answer_and_is_on_record(
    served: Callable[..., Served], shared: Shared, until: Callable[..., Any]
) -> None:
    running = served()
    with structlog.testing.capture_logs() as lines:
        for method in ("receive", "silence"):
            with patch.object(SerialServer, method, side_effect=RuntimeError("broken on purpose")):
                shared.say(TEST_WORD)
                until(lambda: any("a defect of this program" in line["event"] for line in lines))
            lines.clear()
            until(lambda: running.server.line.due is None)
    assert shared.ask(TEST_WORD) == TEST_ANSWER


# The whole service


@pytest.fixture
def line_of(pair: Pair) -> str:
    """More keys of the small site's listener, and a second listener on the near end."""
    return f"clients: 8\n  - serial: {{port: {pair.ours}, baud: 9600, parity: none}}"


def aggregator(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "aggregator", *map(str, arguments)]
    wide = {**os.environ, "COLUMNS": "200"}
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, env=wide)


def test_the_service_is_polled_along_a_serial_line_as_over_a_network(
    pair: Pair, site: Callable[..., Path], service: Callable[..., Any], line_of: str, until: Callable[..., Any]
) -> None:
    folder = site(listener=line_of)
    running = service(folder)
    until(lambda: running.log("serial port open"))
    assert running.log("serial port open")[0]["port"] == f"{pair.ours} 9600 8N2"
    along = until(lambda: aggregator("poll", folder, "--serial", pair.theirs, "--json").stdout)
    over = aggregator("poll", folder, "--port", running.port, "--json").stdout
    assert [json.loads(line)["quality"] for line in along.splitlines()] == ["bad: never seen"] * 8
    assert along == over
    status = aggregator("status", folder).stdout
    assert re.search(rf"serial +{pair.ours} 9600 8N2: \d+ requests carried out, \d+ times noise; open", status), status


def test_a_poll_of_a_serial_line_says_why_it_has_no_answer(pair: Pair, site: Callable[..., Path]) -> None:
    folder = site()
    silent = aggregator("poll", folder, "--serial", pair.theirs, "--parity", "none", "--baud", 1200)
    assert silent.returncode == 3
    assert f"{pair.theirs} at 1200 8N2 does not answer unit 1. Is this the far end of its line" in silent.stderr
    missing = aggregator("poll", folder, "--serial", pair.theirs.parent / "missing", "--stop-bits", 2)
    assert missing.returncode == 3
    assert "missing cannot be opened. Is the adapter plugged in" in missing.stderr


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--baud", 9600), "name its port with --serial"),
        (("--parity", "odd"), "name its port with --serial"),
        (("--stop-bits", 1), "name its port with --serial"),
        (("--serial", "/dev/ttyUSB0", "--port", 502), "what is said of TLS are of a network"),
    ],
)
def test_options_of_one_road_are_refused_on_the_other(
    site: Callable[..., Path], options: tuple[object, ...], says: str
) -> None:
    ended = aggregator("poll", site(), *options)
    assert ended.returncode == 2
    assert says in " ".join(ended.stderr.replace("│", " ").split())


def test_a_site_with_serial_lines_only_is_served_and_its_poll_asks_for_the_port(
    pair: Pair, site: Callable[..., Path], tmp_path: Path, until: Callable[..., Any]
) -> None:
    folder = site(allow="")
    path = folder / "site.yaml"
    path.write_text(path.read_text().replace("tcp: 127.0.0.1:0", f"serial: {{port: {pair.ours}, parity: none}}"))
    log = tmp_path / "log"
    told = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "1000000"}
    command = [sys.executable, "-m", "aggregator", "run", str(folder)]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as beats, log.open("wb") as lines:
        beats.bind(str(tmp_path / "notify"))
        beats.settimeout(20)
        process = subprocess.Popen(command, stdout=lines, stderr=lines, env={**os.environ, **told})
        try:
            while beats.recv(4096) != b"WATCHDOG=1":
                pass
            asked = aggregator("poll", folder)
            assert asked.returncode == 2
            assert "served along serial lines only" in asked.stderr
            along = until(lambda: aggregator("poll", folder, "--serial", pair.theirs, "--json").stdout)
            assert "bad: never seen" in along
        finally:
            process.terminate()
            assert process.wait(10) == 0, log.read_text()


def test_a_line_that_is_away_shows_in_the_gateway_block_and_networks_are_served_meanwhile(
    pair: Pair,
    site: Callable[..., Path],
    service: Callable[..., Any],
    caller: Callable[[int], Any],
    line_of: str,
    until: Callable[..., Any],
) -> None:
    running = service(site(listener=line_of))
    client = caller(running.port)
    serial_away = 34
    until(lambda: client.registers(serial_away, 1) == (0,))
    pair.pull_out()
    until(lambda: client.registers(serial_away, 1) == (1,))
    assert running.log("serial port away")
    assert client.registers(40, 1) == (0x1234,)
    pair.plug_in()
    until(lambda: client.registers(serial_away, 1) == (0,))
    with client_on(pair) as along:
        until(lambda: not along.read_input_registers(40, count=1, device_id=1).isError())


def test_a_line_that_is_away_from_the_start_keeps_nothing_from_starting(
    pair: Pair,
    site: Callable[..., Path],
    service: Callable[..., Any],
    caller: Callable[[int], Any],
    line_of: str,
    until: Callable[..., Any],
) -> None:
    pair.pull_out()
    running = service(site(listener=line_of))
    client = caller(running.port)
    until(lambda: running.log("serial port away"))
    assert client.registers(34, 1) == (1,)
    pair.plug_in()
    until(lambda: client.registers(34, 1) == (0,))
