"""A poll of a running device through its map, as plant software would do it: the fewest reads, then decoded values.

The requests are made by pymodbus, so that this end shares nothing of the wire with the server.
"""

from __future__ import annotations

import logging
import socket
import ssl
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ModbusException

from aggregator.core.address_map import Device, Entry, Shows, Table
from aggregator.core.errors import AggregatorError
from aggregator.core.poll_plan import MOST_REGISTERS, Read, poll_plan
from aggregator.core.reading import Value, quality_words

# The library would print its own lines beside the sentences that are raised here.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())
TIMEOUT = 3.0  # s that an answer may take


class NotAnswered(AggregatorError):
    """The device could not be polled; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class Polled:
    """One item as the device answered it. `value` is None where the filler stands or the read was refused."""

    entry: Entry
    value: Value | None
    refused: int | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One field of one meter, as people read it: `address` is the PDU address, `age` in seconds.

    `status` is the field's own where that is mapped (`own_status`), else the meter's, None where neither is; `refused`
    is the exception code where the read was refused. `has_age` tells an age that is not mapped from one that is none.
    """

    tag: str
    item: str
    table: Table
    address: int
    value: Value | None
    unit: str
    status: int | None
    own_status: bool
    age: int | None
    has_age: bool
    refused: int | None

    @property
    def quality(self) -> str:
        """Grade and reasons in words."""
        if self.refused is not None:
            return f"refused (exception {self.refused:02X})"
        if self.status is None:
            return "no status mapped"
        return "no meter here" if self.status & 3 == 0 else quality_words(self.status & ~3)


@dataclass(frozen=True, slots=True)
class Road:
    """A way to a device: its client and name, and what people are asked where it does not lead there."""

    client: ModbusTcpClient | ModbusSerialClient
    name: str
    if_closed: str
    if_silent: str


def over_tcp(host: str, port: int) -> Road:
    """The road to a listener on a network."""
    name = f"{host}:{port}"
    closed = f"nothing answers at {name}. Is the service running, and is this its port?"
    client = ModbusTcpClient(host, port=port, timeout=TIMEOUT, retries=0)
    return Road(client, name, closed, "Is it the aggregator that listens there?")


def over_tls(host: str, port: int, context: ssl.SSLContext) -> Road:
    """The road to a listener over TLS, which has to show a certificate of that name or address."""
    name = f"{host}:{port} over TLS"
    closed = f"no TLS connection to {host}:{port}. Is the service running, is this its port over TLS?"
    silent = "Does the listener trust the certificate that was shown, and has it not ended? Its log says why not."
    return Road(TlsClient(host, port, context), name, closed, silent)


def tls_context(ca: str, certificate: str, key: str) -> ssl.SSLContext:
    """What a client shows and whom it trusts, by PEM files. Raises NotAnswered where one is no use."""
    context = ssl.create_default_context()
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_verify_locations(ca)
        context.load_cert_chain(certificate, key)
    except OSError as error:
        raise NotAnswered(f"the TLS files cannot be used ({ca}, {certificate}, {key}): {error}") from error
    return context


class TlsClient(ModbusTcpClient):
    """The library's client over TLS, its framing that of Modbus TCP.

    The library's own splits no answer that comes with another one, joins none that comes in two records, and checks no
    name.
    """

    def __init__(self, host: str, port: int, context: ssl.SSLContext) -> None:
        super().__init__(host, port=port, timeout=TIMEOUT, retries=0)
        self._at = (host, port)
        self._context = context

    def connect(self) -> bool:
        """Open the connection. Raises NotAnswered where the other end is not who it should be."""
        if self.socket:
            return True  # the library asks before each request
        try:
            plain = socket.create_connection(self._at, TIMEOUT)
        except OSError:
            return False
        try:
            self.socket = self._context.wrap_socket(plain, server_hostname=self._at[0])
        except OSError as error:
            plain.close()
            raise NotAnswered(f"no TLS with {self._at[0]}:{self._at[1]}: {_why_no_tls(error)}") from error
        return True


def _why_no_tls(error: OSError) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not accepted: {error.verify_message}"
    if isinstance(error, ssl.SSLError):
        return f"{error.reason or error}. Is this its port over TLS?"
    return "it ended the connection. Its log says why"


def over_serial(path: str, baud: int, parity: str, stop_bits: int) -> Road:
    """The road along a serial line, from a port at its far end. `parity` is even, odd or none."""
    letter = parity[0].upper()
    client = ModbusSerialClient(path, baudrate=baud, parity=letter, stopbits=stop_bits, timeout=TIMEOUT, retries=0)
    closed = f"{path} cannot be opened. Is the adapter plugged in, may you open it, and is nobody else using it?"
    silent = "Is this the far end of its line, are baud, parity and stop bits the listener's, and A and B not swapped?"
    return Road(client, f"{path} at {baud} 8{letter}{stop_bits}", closed, silent)


class Poller:
    """One unit id of a device, and the road to it."""

    def __init__(self, device: Device, road: Road, *, most_registers: int = MOST_REGISTERS) -> None:
        self.device = device
        self.most_registers = most_registers
        self._road = road
        self._client = road.client

    def close(self) -> None:
        """End the connection."""
        self._client.close()  # type: ignore[no-untyped-call]

    def poll(self, tags: Iterable[str] = ()) -> list[Polled]:
        """Read every item, or those of some tags. Raises NotAnswered where nothing answers."""
        wanted = set(tags)
        entries = [entry for entry in self.device.entries() if not wanted or entry.tag in wanted]
        polled = []
        for read in poll_plan(self.device, entries, self.most_registers):
            covered = [entry for entry in entries if read.covers(entry)]
            polled += self._poll_together(read, covered)
        return polled

    def _poll_together(self, read: Read, entries: list[Entry]) -> list[Polled]:
        """The items of one read; where that is refused, each by itself, so that one refusal hides no other value."""
        data, refused = self._read(read)
        if refused is None:
            return [_decoded(entry, data[entry.address - read.start : entry.end - read.start]) for entry in entries]
        if len(entries) == 1:
            return [Polled(entries[0], None, refused)]
        alone = (Read(read.unit_id, read.table, entry.address, entry.item.size) for entry in entries)
        return [each for one, entry in zip(alone, entries, strict=True) for each in self._poll_together(one, [entry])]

    def _read(self, read: Read) -> tuple[Sequence[int], int | None]:
        """The registers or bits of one read, or the exception code that refused it."""
        client = self._client
        ask = {
            Table.COIL: client.read_coils,
            Table.DISCRETE: client.read_discrete_inputs,
            Table.INPUT: client.read_input_registers,
            Table.HOLDING: client.read_holding_registers,
        }[read.table]
        try:
            if not client.connected and not client.connect():
                raise NotAnswered(self._road.if_closed)
            answer = ask(read.start, count=read.count, device_id=read.unit_id)
        except (ModbusException, OSError, UnicodeError) as error:  # UnicodeError: a name that none can be
            self.close()
            unanswered = f"{self._road.name} does not answer unit {read.unit_id}"
            raise NotAnswered(f"{unanswered}. {self._road.if_silent}") from error
        if answer.isError():
            return [], int(answer.exception_code)
        return (answer.bits if read.table.is_bits else answer.registers), None


def _decoded(entry: Entry, words: Sequence[int]) -> Polled:
    if entry.item.codec is None:
        return Polled(entry, int(words[0]))
    return Polled(entry, entry.item.codec.decode(b"".join(int(word).to_bytes(2, "big") for word in words)))


def lines(polled: Iterable[Polled]) -> list[Line]:
    """The fields of each meter, each with the status and age that stand nearest to it: its own, else the meter's."""
    values: list[Polled] = []
    about: dict[tuple[str | None, Shows, str], Polled] = {}
    for each in polled:
        item = each.entry.item
        if item.shows is Shows.VALUE:
            values.append(each)
        elif item.shows in (Shows.STATUS, Shows.AGE):
            about[each.entry.tag, item.shows, item.of] = each
    return [_line(each, about) for each in values]


def _line(polled: Polled, about: dict[tuple[str | None, Shows, str], Polled]) -> Line:
    entry = polled.entry

    def nearest(shows: Shows) -> Polled | None:
        return about.get((entry.tag, shows, entry.item.of)) or about.get((entry.tag, shows, ""))

    def number(found: Polled | None) -> int | None:
        return int(found.value) if found is not None and isinstance(found.value, int | float) else None

    status, age = nearest(Shows.STATUS), nearest(Shows.AGE)
    return Line(
        entry.tag or "",
        entry.item.of,
        entry.table,
        entry.address,
        polled.value,
        entry.item.unit,
        number(status),
        (entry.tag, Shows.STATUS, entry.item.of) in about,
        number(age),
        age is not None,
        polled.refused,
    )
