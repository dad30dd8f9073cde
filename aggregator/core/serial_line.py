"""A serial line as one of its servers hears it: which bytes make a frame, which of them are for us, when to answer.

A line has one client and up to 247 servers. Everybody hears everybody: requests to us, requests to others, the others'
answers, noise, and with some adapters our own voice. The specification parts frames by silence: 3.5 characters of it
end a frame. A program cannot hear that silence. Drivers and adapters hand bytes over late and in lumps: a gap on the
wire can vanish, and a frame can come in two pieces with a gap that never was. So here

- **a frame is known by its length and CRC** (core/rtu.py), never by a gap inside it. What comes right after a sound
  frame is the next frame, whether or not a gap was seen between them;
- **another server's frame is followed to its end**, request or answer, so that what stands inside it is never taken for
  a request. An answer is looked for first where its request has just been heard;
- **silence only ends what is not understood.** It is believed when it was watched: nothing came, although somebody
  looked, for 3.5 characters and as long as a driver may be late (`LATE`). Who was too busy to look knows of no silence;
- **an answer waits for 3.5 characters of silence** after its request, which the client needs to turn the line around. A
  request that other bytes follow before that is not waited for any more: it is neither carried out nor answered, so
  that nothing is sent into another's traffic. One stray byte is let pass: lines crackle where a transmitter lets go;
- **our own voice is not listened to.** Whether the adapter hands back what it sends shows after the first answer that
  is unlike its request. Until then an echo of a request, as a write is answered with, is taken for one of ours.

The 1.5 characters that may pass inside a frame at most are not looked at, for the same reason.

                  bytes                   no length has a right CRC
       +-------+         +---------+                              +------+
    -->| QUIET |-------->| HEARING |----------------------------->| LOST |<-- start
       +-------+         +---------+                              +------+
         ^   ^             |  ^   |          watched silence          |
         |   +-------------|--|---|-----------------------------------+
         |    another's    |  |   | ours, whole
         |    frame, whole |  |   v
         +-----------------+  | +---------+
         |                    | | WAITING |
         |              bytes +-|         |
         |                      +---------+
         |  carried out, answered     | 3.5 characters of silence
         +----------------------------+

Sources: MODBUS over Serial Line V1.02 sections 2.4.1, 2.4.2 and 2.5.1.1. That gaps get lost, that lines crackle, and
how late adapters are: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto
from typing import Final, NamedTuple

from aggregator.core import rtu

LATE: Final = 0.02  # s: USB adapters hand bytes over every 16 ms unless told otherwise, and the system takes its time
STRAY: Final = 1  # bytes after a request that do not make it invalid
FASTEST_STRICT: Final = 19200  # baud; above, the silence is a fixed time
FIXED_SILENCE: Final = 0.00175  # s


@dataclass(frozen=True, slots=True)
class Wire:
    """How characters go over the line: 8 data bits, least significant first. Defaults: V1.02 section 2.5.1."""

    baud: int = 19200
    parity: bool = True
    stop_bits: int = 1

    @property
    def character(self) -> float:
        """Seconds a character takes, start, parity and stop bits included."""
        return (1 + 8 + self.parity + self.stop_bits) / self.baud

    @property
    def silence(self) -> float:
        """Seconds between two frames at least: 3.5 characters, and above 19200 baud 1.75 ms (V1.02 section 2.5.1.1)."""
        return FIXED_SILENCE if self.baud > FASTEST_STRICT else 3.5 * self.character


class Kind(Enum):
    """What became of bytes that were heard."""

    REQUEST = auto()  # to us or to everybody, and whoever sent it waits
    OVERTAKEN = auto()  # to us or to everybody, but the line has gone on since
    OTHERS = auto()  # not to us
    NOISE = auto()  # no frame


class Heard(NamedTuple):
    """A frame with address and CRC, or bytes that are none."""

    kind: Kind
    frame: bytes


class SerialLine:
    """Bytes in, frames out. `units` are the addresses that are ours; instants are monotonic seconds.

    `due` is the instant at which whoever reads the line must look whether it has been silent, and then call `silence`:
    None while there is nothing to wait for.
    """

    def __init__(self, units: frozenset[int], wire: Wire, turnaround: float = 0.0) -> None:
        self.due: float | None = None
        self.hears_itself: bool | None = None  # whether the adapter hands back what is sent; None: not known yet
        self._units = units
        self._wire = wire
        self._turnaround = max(wire.silence, turnaround)
        self._unclear = wire.silence + LATE
        self._begun = b""  # of a frame, or of noise
        self._lost = True
        self._waiting = b""  # a whole request that is to be answered
        self._asked: tuple[int, int] | None = None  # another server and the function that it was last asked for
        self._echo = b""  # our own frame, which the adapter may hand back
        self._echo_until = 0.0
        self._echo_is_telling = False  # whether it cannot be anything but our own frame

    def opened(self, at: float) -> None:
        """The port is open: what is heard first may be the end of something, so wait for silence."""
        self._begun = self._waiting = self._echo = b""
        self._asked, self._lost, self.due = None, True, at + self._unclear
        self.hears_itself = None  # it may be another adapter

    def receive(self, data: bytes, at: float) -> list[Heard]:
        """Take what has come; returns what has been settled by it, in order."""
        self._begun += data
        heard = self._parse(at, ended=False)
        if self._lost:
            self._begun = self._begun[: rtu.LONGEST + 1]  # longer than a frame is enough to know that it is none
        self.due = at + (self._unclear if self._begun or self._lost else self._turnaround)
        if not (self._begun or self._lost or self._waiting):
            self.due = None
        return heard

    def silence(self, at: float) -> list[Heard]:
        """Nothing has come until `due`; returns what has been settled by that, in order."""
        self.due = None
        heard: list[Heard] = []
        if self._begun and (not self._waiting or len(self._begun) > STRAY):
            heard = self._end(at)
        elif self._begun:
            heard = [Heard(Kind.NOISE, self._begun)]
        if self._waiting:
            heard.append(Heard(Kind.REQUEST, self._waiting))
        self._begun = self._waiting = b""
        self._lost = False
        return heard

    def sent(self, frame: bytes, answers: bytes, at: float) -> None:
        """A frame of ours goes out, in answer to another."""
        self._echo = frame
        self._echo_until = at + len(frame) * self._wire.character + self._unclear
        self._echo_is_telling = frame != answers

    def _end(self, at: float) -> list[Heard]:
        """Settle what has begun, knowing that nothing follows."""
        whole = self._begun
        heard = self._parse(at, ended=True)
        if not self._begun:
            return heard
        self._waiting = b""
        if self._lost and whole == self._begun and rtu.is_sound(whole) and self._is_ours(whole):
            self._waiting = whole  # of a length that its function has not, but a frame: the answer says so
            return heard
        return [*heard, Heard(Kind.NOISE, self._begun)]

    def _parse(self, at: float, *, ended: bool) -> list[Heard]:
        """Take whole frames off what has begun."""
        heard: list[Heard] = []
        while self._begun and not self._lost:
            if self._echo and self._takes_echo(at, ended=ended):
                if self._echo:
                    break
                continue
            size = self._size(ended=ended)
            if size == rtu.MORE:
                break
            if size == rtu.NONE:
                self._lost = True
                break
            frame, self._begun = self._begun[:size], self._begun[size:]
            heard += self._settle(frame)
        return heard

    def _takes_echo(self, at: float, *, ended: bool) -> bool:
        """Whether what has begun is, or may yet become, our own frame; taken off where it is."""
        echo, begun = self._echo, self._begun
        in_time = at <= self._echo_until
        if in_time and not ended and len(begun) < len(echo) and echo.startswith(begun):
            return True
        self._echo = b""
        came_back = in_time and begun.startswith(echo)
        if self._echo_is_telling:
            self.hears_itself = came_back or bool(self.hears_itself)
        if not came_back or self.hears_itself is False:
            return False
        self._begun = begun[len(echo) :]
        return True

    def _size(self, *, ended: bool) -> int:
        if self._begun[0] == rtu.EVERYBODY or self._begun[0] in self._units:
            return rtu.request_size(self._begun, ended=ended)
        answer_due = len(self._begun) > 1 and self._asked == (self._begun[0], self._begun[1] & ~rtu.EXCEPTION)
        return rtu.any_size(self._begun, answer_due=answer_due, ended=ended)

    def _is_ours(self, frame: bytes) -> bool:
        """Whether it asks us: an exception under our address is another's answer, or our own."""
        return (frame[0] == rtu.EVERYBODY or frame[0] in self._units) and not frame[1] & rtu.EXCEPTION

    def _settle(self, frame: bytes) -> list[Heard]:
        heard = [Heard(Kind.OVERTAKEN, self._waiting)] if self._waiting else []
        self._waiting, before, self._asked = b"", self._asked, None
        if self._is_ours(frame):
            self._waiting = frame
            return heard
        asked = (frame[0], frame[1])
        self._asked = None if before == asked or frame[1] & rtu.EXCEPTION else asked
        return [*heard, Heard(Kind.OTHERS, frame)]
