"""Modbus on a serial port: bytes in, bytes out. What they mean is decided in core/serial_line.py.

An adapter that is pulled out, or is not there yet, stops nothing else: the port is opened again for ever, at longer and
longer intervals up to `RETRY_AT_MOST`, and whoever asks is told that it is away.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import fcntl
import os
import struct
import termios
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import serial
import structlog
from serial.rs485 import RS485Settings

from aggregator.core.reading import Now
from aggregator.core.serial_line import Wire
from aggregator.core.serial_server import SerialServer

AT_ONCE: Final = 4096  # bytes: what the kernel holds of a port
RETRY_FIRST: Final = 0.2  # s
RETRY_AT_MOST: Final = 5.0
EARLY: Final = 0.0001  # s by which a timer may ring before its time
TIOCGICOUNT: Final = 0x545D  # linux/ioctls: the counters of a port, struct serial_icounter_struct of 20 numbers
COUNTERS: Final = struct.Struct("20i")
OVERRUNS_AT: Final = (7, 10)  # characters that the port, and that the kernel's buffer could not take
PARITY: Final = {"even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD, "none": serial.PARITY_NONE}

PSEUDO_TERMINALS: Final = "/dev/pts/"
DEFECT: Final = "request not answered, a defect of this program"

log = structlog.get_logger("serial")


@dataclass(frozen=True, slots=True)
class PortSettings:
    """How a port is opened: 8 data bits, no flow control. `rs485`: the driver turns the line around, by RTS."""

    path: str
    baud: int = 19200
    parity: str = "even"
    stop_bits: int = 1
    rs485: bool = False

    @property
    def wire(self) -> Wire:
        return Wire(self.baud, self.parity != "none", self.stop_bits)

    def __str__(self) -> str:
        """As data sheets write it: `/dev/ttyUSB0 19200 8E1`."""
        return f"{self.path} {self.baud} 8{self.parity[0].upper()}{self.stop_bits}"


class SerialPort:
    """One port and what is served on it. `on_state` is called when it was opened or lost, `on_write` after writes."""

    def __init__(
        self,
        settings: PortSettings,
        server: SerialServer,
        now: Callable[[], Now],
        on_state: Callable[[], None] = lambda: None,
        on_write: Callable[[], None] = lambda: None,
    ) -> None:
        self.settings = settings
        self.server = server
        self.trouble: str | None = "not opened yet"  # why it is not open, None while it is
        self._now = now
        self._on_state = on_state
        self._on_write = on_write
        self._loop = asyncio.get_running_loop()
        self._port: serial.Serial
        self._lost: asyncio.Future[str]
        self._timer: asyncio.TimerHandle | None = None
        self._unsent = b""
        self._overruns = 0

    @property
    def is_open(self) -> bool:
        return self.trouble is None

    async def run(self) -> None:
        """Serve for ever, until cancelled."""
        wait = RETRY_FIRST
        while True:
            try:
                self._open()
            except (OSError, ValueError, termios.error) as error:  # the last two: settings that the driver refuses
                self._is_away(_why_not(self.settings, error))
            else:
                wait = RETRY_FIRST
                log.info("serial port open", port=str(self.settings))
                try:
                    self._is_away(await self._lost)
                finally:
                    self._close()
            await asyncio.sleep(wait)
            wait = min(2 * wait, RETRY_AT_MOST)

    def _is_away(self, reason: str) -> None:
        """Say once why the port cannot be used."""
        if reason != self.trouble:
            self.trouble = reason
            log.warning("serial port away", port=self.settings.path, reason=reason)
            self._on_state()

    def _open(self) -> None:
        """Raises OSError, or ValueError or termios.error where the driver cannot do what was asked for."""
        port = _port_of(self.settings)
        port.open()
        with contextlib.suppress(ValueError, OSError):  # not every driver can be told to hand bytes over at once
            port.set_low_latency_mode(True)
        self._port = port
        self._lost = self._loop.create_future()
        self._unsent, self._overruns = b"", self._count_overruns()
        self._loop.add_reader(port.fileno(), self._read)
        self.server.opened(time.monotonic())
        self._watch()
        self.trouble = None
        self._on_state()

    def _close(self) -> None:
        self._loop.remove_reader(self._port.fileno())
        self._loop.remove_writer(self._port.fileno())
        self._stop_watching()
        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(self._port.fileno(), termios.TCOFLUSH)  # else closing waits for what nobody takes
        self._port.close()

    # Reading

    def _read(self) -> bool:
        """Take what has come. Returns whether anything has."""
        try:
            data = os.read(self._port.fileno(), AT_ONCE)
        except BlockingIOError:
            return False
        except OSError as error:
            self._lose(error.strerror or str(error))
            return False
        if not data:
            self._lose("the adapter has hung up")
            return False
        try:
            self.server.receive(data, time.monotonic(), self._now())
        except Exception:
            log.exception(DEFECT, port=self.settings.path)
            self.server.opened(time.monotonic())
        self._watch()
        return True

    def _watch(self) -> None:
        """Look at the instant that the line wants to be looked at."""
        self._stop_watching()
        if (due := self.server.line.due) is not None:
            self._timer = self._loop.call_later(due - time.monotonic(), self._look)

    def _stop_watching(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _look(self) -> None:
        """The line should have been silent until now; that it was is only known after reading once more."""
        self._timer = None
        due = self.server.line.due
        if due is None or self._read() or self._lost.done():
            return
        at = time.monotonic()
        if at < due - EARLY:
            self._watch()
            return
        errors = self.server.errors
        try:
            answer = self.server.silence(at, self._now())
        except Exception:
            log.exception(DEFECT, port=self.settings.path)
            self.server.opened(time.monotonic())
            self._watch()
            return
        if self.server.errors != errors:
            self._note_overruns()
        if self.server.wrote:
            self.server.wrote = False
            self._on_write()
        if answer:
            self._send(answer)

    # Writing

    def _send(self, frame: bytes) -> None:
        self._unsent = frame  # of an answer before this one nobody waits for the rest
        self._write()

    def _write(self) -> None:
        descriptor = self._port.fileno()
        try:
            self._unsent = self._unsent[os.write(descriptor, self._unsent) :]
        except BlockingIOError:
            pass
        except OSError as error:
            self._lose(error.strerror or str(error))
        if self._unsent and not self._lost.done():
            self._loop.add_writer(descriptor, self._write)
        else:
            self._loop.remove_writer(descriptor)

    def _lose(self, reason: str) -> None:
        self._loop.remove_reader(self._port.fileno())
        if not self._lost.done():
            self._lost.set_result(reason)

    # Characters that were lost

    def _count_overruns(self) -> int:
        """How many characters the driver says were lost since it started; 0 where it does not count."""
        try:
            counted = COUNTERS.unpack(fcntl.ioctl(self._port.fileno(), TIOCGICOUNT, bytes(COUNTERS.size)))
        except OSError:
            return 0
        return sum(counted[at] for at in OVERRUNS_AT)

    def _note_overruns(self) -> None:
        counted = self._count_overruns()
        if counted > self._overruns:
            self.server.overran(counted - self._overruns)
        self._overruns = counted


def _port_of(settings: PortSettings) -> serial.Serial:
    """A port that is not open yet."""
    # A pseudo-terminal, as tunnels make them, has no parity, and refuses to be told a second time to have one.
    is_real = not os.path.realpath(settings.path).startswith(PSEUDO_TERMINALS)
    port = serial.Serial(
        baudrate=settings.baud,
        parity=PARITY[settings.parity] if is_real else serial.PARITY_NONE,
        stopbits=settings.stop_bits,
        timeout=0,
        write_timeout=0,
        inter_byte_timeout=0,  # so that an empty read means that the other end has gone (termios(3), VMIN 1)
        exclusive=True,
    )
    port.port = settings.path
    if settings.rs485:
        port.rs485_mode = RS485Settings()
    return port


def _why_not(settings: PortSettings, error: Exception) -> str:
    path = settings.path
    if not isinstance(error, OSError):
        if settings.rs485:
            return f"the driver of {path} cannot turn an RS-485 line around. Leave `rs485` out if the adapter does that"
        return f"the driver of {path} cannot do {settings.baud} baud with these settings ({error})"
    if error.errno == errno.ENOENT:
        return f"there is no {path}. Is the adapter plugged in? `ls /dev/serial/by-id` lists what is"
    if error.errno == errno.EACCES:
        return f"{path} may not be opened. The service's user must be in the port's group, mostly dialout"
    if "exclusively lock" in str(error):
        return f"another program has {path} open. Stop it"
    return f"{path} cannot be opened: {os.strerror(error.errno) if error.errno else error}"
