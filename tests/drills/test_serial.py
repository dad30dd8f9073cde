"""A shared line in trouble: another server's traffic, noise, half frames, everybody's address, and the adapter out.

Three stand on the line: a client (this test), a server that is not ours, and the service, which hears both. Whatever
one sends the others hear, as on RS-485. MODBUS over Serial Line V1.02 sections 2.1 to 2.5; what happens on shared
lines: common practice, no source.
"""

from __future__ import annotations

import os
import random
import select
import struct
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from crccheck.crc import CrcModbus

from tests.drills.conftest import METERS

if TYPE_CHECKING:
    from tests.drills.conftest import Life, Pollers

OURS, OTHER, DEAD = 1, 9, 17
OUT = 12.0  # s that the adapter is away: longer than the longest wait before it is looked for again
TURNS = 150
SERIAL_AWAY = 34  # in the gateway block


def framed(unit: int, pdu: bytes) -> bytes:
    frame = bytes((unit,)) + pdu
    return frame + int(CrcModbus.calc(frame)).to_bytes(2, "little")


WRITE_TO_US = framed(OURS, struct.pack(">BHH", 6, 9000, 666))


class Bus:
    """The wire, with the other server on it; `said` is every byte that the service has put on it."""

    def __init__(self, link: Path) -> None:
        self.said = b""
        self._link = link
        self._chance = random.Random(5)
        self.plug_in()

    def plug_in(self) -> None:
        self._wire, self._adapter = os.openpty()
        for end in (self._wire, self._adapter):
            tty.setraw(end)
        self._link.symlink_to(os.ttyname(self._adapter))

    def pull_out(self) -> None:
        self._link.unlink()
        os.close(self._adapter)
        os.close(self._wire)

    def put(self, frame: bytes) -> None:
        """Bytes on the wire, in portions as drivers hand them over."""
        cut = self._chance.randint(1, len(frame))
        os.write(self._wire, frame[:cut])
        if cut < len(frame):
            time.sleep(self._chance.choice((0.0, 0.002, 0.008)))
            os.write(self._wire, frame[cut:])

    def take(self, size: int, within: float) -> bytes:
        """What the service says, up to so many bytes."""
        data, end = b"", time.monotonic() + within
        while len(data) < size and select.select([self._wire], [], [], max(0.0, end - time.monotonic()))[0]:
            data += os.read(self._wire, 4096)
        self.said += data
        return data

    def ask_us(self, start: int, count: int) -> tuple[int, ...]:
        """As a master does: on a busy machine the halves of a frame may come so far apart that it is none."""
        answer, tries = b"", 3
        while not answer and tries:
            tries -= 1
            self.put(framed(OURS, struct.pack(">BHH", 4, start, count)))
            answer = self.take(5 + 2 * count, 2.0)
        assert CrcModbus.calc(answer) == 0, answer.hex()
        assert answer[:3] == bytes((OURS, 4, 2 * count))
        return struct.unpack(f">{count}H", answer[3:-2])

    def ask_the_other(self, *, noisy: bool) -> None:
        """A read of the other server and its answer, inside which stands a whole write to us."""
        self.put(framed(OTHER, struct.pack(">BHH", 3, self._chance.randint(0, 65000), 6)))
        answer = framed(OTHER, b"\x03\x0c" + WRITE_TO_US + self._chance.randbytes(4))
        if noisy:
            spoilt = self._chance.randrange(len(answer))
            answer = answer[:spoilt] + bytes((answer[spoilt] ^ 0x55,)) + answer[spoilt + 1 :]
            self.put(answer[: spoilt // 2 + 1])  # half of it, so that its rest is not taken for a request
            return
        self.put(answer)

    def noise(self) -> None:
        self.put(self._chance.randbytes(self._chance.randint(2, 60)))


@pytest.fixture
def bus(tmp_path: Path) -> Iterator[Bus]:
    line = Bus(tmp_path / "adapter")
    yield line
    line.pull_out()


def test_on_a_shared_line_the_service_speaks_when_spoken_to_and_comes_back_by_itself(
    bus: Bus,
    tmp_path: Path,
    site: Callable[..., Path],
    live: Callable[..., Life],
    pollers: Callable[..., Pollers],
    new_port: Callable[[], int],
    until: Callable[..., Any],
) -> None:
    port = new_port()
    folder = site(
        meters=METERS,
        tcp=f"127.0.0.1:{port}",
        listener=f"clients: 8\n  - serial: {{port: {tmp_path / 'adapter'}, may: [command]}}",
    )
    life = live(folder, port)
    polling = pollers(port)
    until(lambda: life.events("serial port open"))
    assert bus.take(1, 0.2) == b""

    for turn in range(TURNS):
        bus.ask_the_other(noisy=turn % 10 == 3)
        if turn % 3 == 0:
            bus.put(framed(DEAD, struct.pack(">BHH", 4, 0xFA00, 1)))  # a server that is away answers nothing
        if turn % 7 == 0:
            bus.noise()
        assert bus.take(1, 0.08 if turn % 10 == 3 or turn % 7 == 0 else 0.005) == b"", turn
        assert bus.ask_us(40, 1) == (0x1234,), turn
        if turn % 5 == 0:
            bus.put(framed(0, struct.pack(">BHH", 6, 9000, turn)))  # everybody's: carried out, and not answered
            assert bus.take(1, 0.03) == b"", turn
    assert len(bus.said) == 7 * TURNS  # not a byte but the answers to us
    assert life.client.ask(struct.pack(">BHH", 3, 9000, 1)) == struct.pack(">BBH", 3, 2, 145)

    bus.put(framed(OURS, struct.pack(">BHH", 4, 40, 1))[:5])
    bus.pull_out()
    until(lambda: life.client.registers(SERIAL_AWAY, 1) == (1,))
    gone = time.monotonic()
    until(lambda: time.monotonic() - gone > OUT, OUT + 10)
    assert life.client.registers(40, 1) == (0x1234,)
    bus.plug_in()
    until(lambda: life.client.registers(SERIAL_AWAY, 1) == (0,))
    assert bus.take(1, 0.2) == b""
    assert bus.ask_us(40, 1) == (0x1234,)
    assert len(polling.waits) > 100
