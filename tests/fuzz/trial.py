"""One stream of bytes, tried: whole, in portions, beside a neighbour, each answer held to the model."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from itertools import pairwise

from aggregator.core.access import EVERYTHING, Party
from aggregator.core.account import Account
from aggregator.core.address_map import Block, Device, Item, Layout, Shows, Table
from aggregator.core.encoding import Encoding, ItemCodec
from aggregator.core.errors import Place
from aggregator.core.functions import WRITES, Tables
from aggregator.core.identity import Identity
from aggregator.core.image import Image, Write
from aggregator.core.modbus import Conversation, HeaderError
from aggregator.core.outbox import Outbox
from aggregator.core.reading import Now
from aggregator.core.refusals import Refusals
from tests.fuzz.model import (
    ALL_COILS,
    COILS,
    DISCRETES,
    FOURS,
    HOLDING,
    INPUTS,
    OBJECTS,
    REPORT,
    UNITS,
    Model,
    frames_of,
    width,
)

CLIENT = Party("client", EVERYTHING)
NOW = Now(5000.0, 1_795_600_000.0)
SEED = 4
TYPES = {1: "uint16", 2: "uint32", 4: "uint64"}


def codec(size: int) -> ItemCodec:
    return ItemCodec(Encoding.number(TYPES[size]), filler=0)


def image_of(model: Model) -> Image:
    """A device of the model's shape and content."""

    def block(table: Table, size: int, items: Iterable[Item]) -> Block:
        return Block(table, 0, size, Layout("fuzz", tuple(items)), None, "fuzz", Place(""))

    def accept(writes: list[Write], _now: Now) -> None:
        for write in writes:
            image.write_scratch(write.item.of, write.value)

    starts = sorted({width(at) for at in range(FOURS)})
    holding = (Item(Table.HOLDING, at, Shows.SCRATCH, f"register {at}", codec(size)) for at, size in starts)
    inputs = (Item(Table.INPUT, at, Shows.CONSTANT, str(word), codec(1)) for at, word in enumerate(model.inputs))
    coils = (Item(Table.COIL, at, Shows.SCRATCH, f"coil {at}") for at in range(COILS))
    discretes = (Item(Table.DISCRETE, at, Shows.CONSTANT, str(bit)) for at, bit in enumerate(model.discretes))
    blocks = (
        block(Table.HOLDING, HOLDING, holding),
        block(Table.INPUT, INPUTS, inputs),
        block(Table.COIL, ALL_COILS, coils),
        block(Table.DISCRETE, DISCRETES, discretes),
    )
    identity = Identity(OBJECTS, REPORT[2:])
    image = Image(Device(1, blocks), {}, lambda name, now: None, accept, identity)
    image.write_registers(0, struct.pack(f">{FOURS}H", *model.holding[:FOURS]), CLIENT, NOW)
    image.write_coils(0, [bool(bit) for bit in model.coils[:COILS]], CLIENT, NOW)
    return image


def account() -> Account:
    """The account of a client that has asked nothing yet."""
    return Account("127.0.0.1:502", CLIENT.name, NOW, Refusals(Outbox()))


class Outcome(Exception):
    """An answer that is not the model's; the message has the stream that brings it about."""


class Trial:
    """Two devices of one content, asked the same: one by whole streams, one by portions of them."""

    def __init__(self) -> None:
        self.model = Model(SEED)
        self.whole = _units(image_of(self.model))
        self.portioned = _units(image_of(self.model))
        self.frames = 0
        self.neighbour = Conversation(self.whole, CLIENT, account())
        self.accounts = account(), account()  # kept over all streams, so that reads come again by the shortest way

    def run(self, stream: bytes, cuts: Sequence[int]) -> None:
        """Raises Outcome where anything differs from the model, and lets through what must never be raised."""
        frames, broken = frames_of(stream)
        expected = b"".join(self._expected(*frame) for frame in frames)
        self.frames += len(frames) + 1  # what is left over, or wrong, is a frame too
        client = Conversation(self.whole, CLIENT, self.accounts[0])
        edges = [0, *sorted(cut % (len(stream) + 1) for cut in cuts), len(stream)]
        slow = Conversation(self.portioned, CLIENT, self.accounts[1])
        whole = _said(client, [stream])
        portioned = _said(slow, [stream[begin:end] for begin, end in pairwise(edges)])
        for found, name in ((whole, "whole"), (portioned, f"cut at {edges}")):
            if found != (expected, broken):
                raise Outcome(f"{name}: {stream.hex()}\n  is      {found}\n  must be {(expected, broken)}")
        writes = any(pdu[0] in WRITES and unit in UNITS for _, unit, pdu in frames)
        for each in (client, slow):
            if (each.requests, each.wrote) != (len(frames), writes):
                raise Outcome(f"{each.requests} requests counted, write {each.wrote}: {stream.hex()}")
        self._look_at_the_neighbour(stream)

    def _expected(self, transaction: int, unit: int, pdu: bytes) -> bytes:
        answer = self.model.answer(pdu) if unit in UNITS else bytes((pdu[0] | 0x80, 0x0B))
        return struct.pack(">HHHB", transaction, 0, len(answer) + 1, unit) + answer

    def _look_at_the_neighbour(self, stream: bytes) -> None:
        """Another client's conversation goes on as if nothing had been, and finds what the model holds."""
        for pdu in (b"\3\0\0\0\x78", b"\1\0\0\0\x3c"):
            request = struct.pack(">HHHB", 77, 0, len(pdu) + 1, 1) + pdu
            found = self.neighbour.receive(request, NOW)
            if found != self._expected(77, 1, pdu):
                raise Outcome(f"the neighbour finds {found.hex()} after {stream.hex()}")


def _units(image: Image) -> list[Tables | None]:
    return [image if unit in UNITS else None for unit in range(256)]


def _said(conversation: Conversation, portions: Iterable[bytes]) -> tuple[bytes, bool]:
    """All answers, and whether a header ended the conversation."""
    answers = b""
    for portion in portions:
        try:
            answers += conversation.receive(portion, NOW)
        except HeaderError as error:
            return answers + error.answers, True
    return answers, False
