"""A Modbus/TCP client of nothing but a socket."""

from __future__ import annotations

import itertools
import socket
import struct
from dataclasses import dataclass, field


@dataclass
class Caller:
    """A Modbus/TCP client of nothing but a socket: what is sent and what comes back is exactly what stands here."""

    sock: socket.socket
    _next: itertools.count[int] = field(default_factory=lambda: itertools.count(1))

    @classmethod
    def to(cls, port: int, host: str = "127.0.0.1") -> Caller:
        """A client of this machine that comes from `host`: all of 127.0.0.0/8 is its own."""
        return cls(socket.create_connection(("127.0.0.1", port), timeout=10, source_address=(host, 0)))

    @staticmethod
    def frame(tid: int, pdu: bytes, unit: int = 1) -> bytes:
        return struct.pack(">HHHB", tid, 0, len(pdu) + 1, unit) + pdu

    def answer(self) -> tuple[int, int, bytes]:
        """The next answer: transaction id, unit id, PDU."""
        tid, protocol, length, unit = struct.unpack(">HHHB", self._exactly(7))
        assert protocol == 0
        return tid, unit, self._exactly(length - 1)

    def ask(self, pdu: bytes, unit: int = 1) -> bytes:
        """Send one request and take its answer's PDU."""
        tid = next(self._next) & 0xFFFF
        self.sock.sendall(self.frame(tid, pdu, unit))
        answered, answered_unit, answer = self.answer()
        assert (answered, answered_unit) == (tid, unit)
        return answer

    def registers(self, start: int, count: int, unit: int = 1) -> tuple[int, ...]:
        """Input registers."""
        answer = self.ask(struct.pack(">BHH", 4, start, count), unit)
        assert answer[0] == 4, answer.hex()
        return struct.unpack(f">{count}H", answer[2:])

    def is_closed(self) -> bool:
        """Whether the other end has ended the connection, everything before that read away."""
        try:
            while self.sock.recv(65536):
                pass
        except ConnectionError:
            return True
        except TimeoutError:
            return False
        return True

    def figure(self, name: str) -> int:
        """A figure of the gateway block; offsets as README.md promises them."""
        offset, size = FIGURES[name]
        words = self.registers(offset, size)
        return words[0] if size == 1 else words[0] << 16 | words[1]

    def _exactly(self, size: int) -> bytes:
        data = b""
        while len(data) < size:
            more = self.sock.recv(size - len(data))
            if not more:
                raise ConnectionError(f"closed after {len(data)} of {size} bytes")
            data += more
        return data


FIGURES = {
    "heartbeat": (0, 1),
    "state": (1, 1),
    "meters_total": (6, 1),
    "meters_good": (7, 1),
    "meters_stale": (10, 1),
    "alarms_unacknowledged": (14, 1),
    "uplinks_accepted": (16, 2),
    "uplinks_duplicate": (18, 2),
    "uplinks_late": (20, 2),
    "uplinks_rejected": (22, 2),
    "last_uplink_age": (26, 2),
    "generation": (36, 1),
}
