"""What a refused request probably meant: the slips of commissioning, each with the answer that helps.

Every slip is common practice, no source; codes and limits are those of MODBUS V1.1b3 sections 6 and 7.
"""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.account import Account, Request
from aggregator.core.address_map import Block, Device, Item, Layout, Shows, Table, WhenStale
from aggregator.core.encoding import Encoding, ItemCodec
from aggregator.core.errors import Place
from aggregator.core.functions import SERVES
from aggregator.core.meant import Ground, probably_meant
from aggregator.core.modbus import Conversation
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.core.units import served_by, who_answers
from tests.core.conftest import ANYBODY

HERE = Place("map.yaml", 7)
WORD, FLOAT = ItemCodec(Encoding.number("uint16")), ItemCodec(Encoding.number("float32"))


def device(unit: int, *runs: tuple[Table, int, int], codec: ItemCodec | None = WORD) -> Device:
    """A device with runs of scratch items (read-only tables: constants) of one size each."""
    blocks = []
    for table, start, size in runs:
        each = None if table.is_bits else codec
        step = 1 if each is None else each.encoding.registers
        shows = Shows.SCRATCH if table.is_writable else Shows.CONSTANT
        items = tuple(Item(table, at, shows, "1", each, place=HERE) for at in range(0, size, step))
        blocks.append(Block(table, start, size, Layout("run", items), None, "run", HERE))
    return Device(unit, tuple(blocks))


NOT_THERE = "input register 9000 is not there, but can be read with function 03 as "
FIRST_DEVICE = device(
    1, (Table.INPUT, 100, 32), (Table.HOLDING, 9000, 10), (Table.DISCRETE, 200, 8), (Table.COIL, 50, 8)
)
SECOND_DEVICE = device(2, (Table.INPUT, 3000, 10))
GROUND = Ground(who_answers([FIRST_DEVICE, SECOND_DEVICE], {"1": FIRST_DEVICE, "2": SECOND_DEVICE}))


@pytest.mark.parametrize(
    ("unit", "function", "start", "quantity", "code", "meant"),
    [
        (1, 4, 101, 32, 2, "a data number was sent as an address: input registers 100-131 are there"),
        (1, 4, 99, 2, 2, "it begins one too low: input registers 100-101 are there"),
        (1, 4, 30101, 10, 2, "a reference was sent as written: without 30001 it is address 100, which is there"),
        (1, 3, 40101, 10, 2, "a reference was sent as written: without 40001 it is address 100, which is there"),
        (1, 3, 49001, 1, 2, "a reference was sent as written: without 40001 it is address 9000, which is there"),
        (1, 3, 40100, 10, 2, "a reference was sent as written: without 40000 it is address 100, which is there"),
        (1, 2, 10201, 8, 2, "a reference was sent as written: without 10001 it is address 200, which is there"),
        (1, 4, 110, 40, 2, "it runs over the end: from 110 on there are 22, and 40 were asked for"),
        (1, 4, 90, 30, 2, "it begins before the first address, 100"),
        (1, 4, 9000, 1, 2, NOT_THERE + "holding register 9000"),
        (1, 1, 200, 8, 2, "coils 200-207 are not there, but can be read with function 02 as discrete inputs 200-207"),
        (1, 4, 3000, 2, 2, "unit 2 has input registers 3000-3001, unit 1 has not"),
        (255, 4, 3000, 2, 2, "unit 2 has input registers 3000-3001, unit 255 has not"),
        (1, 4, 600, 2, 2, "the nearest that are there: input registers 100-131"),
        (2, 1, 50, 1, 2, "unit 1 has coil 50, unit 2 has not"),
        (2, 1, 7, 1, 2, "no coil is there on unit 2"),
        (1, 6, 100, 1, 2, "input register 100 can only be read"),
        (1, 16, 9001, 10, 2, "a data number was sent as an address: holding registers 9000-9009 are there"),
        (1, 5, 9000, 1, 2, "coil 9000 is not there, but can be written as holding register 9000"),
        (9, 4, 100, 2, 0x0B, "no device is unit 9; there are 1, 2"),
        (1, 4, 100, 126, 3, "one request takes 1 to 125 input registers, and this one asks for 126"),
        (1, 3, 100, 0, 3, "one request takes 1 to 125 holding registers, and this one asks for 0"),
        (1, 6, 9000, 1, 1, "this client may not write that: `allow` of the listener in site.yaml gives the right"),
        (1, 4, 100, 1, 1, "this client may not read: `allow` of the listener in site.yaml gives the right"),
        (1, 7, None, None, 1, "function 07 is not served"),
    ],
)  # fmt: skip
def test_a_slip_is_named_with_what_would_have_been_right(
    unit: int, function: int, start: int | None, quantity: int | None, code: int, meant: str
) -> None:
    assert probably_meant(GROUND, Request(unit, function, start, quantity), code) == meant


def test_half_of_a_value_is_told_how_the_whole_is_written() -> None:
    floats = device(1, (Table.HOLDING, 10, 4), codec=FLOAT)
    meant = probably_meant(Ground([floats] * 256), Request(1, 16, 11, 2), 3)
    assert meant == "run 1 is written whole: holding registers 10-11 in one request"


def test_a_stale_value_that_refuses_is_named_with_its_line() -> None:
    item = Item(Table.INPUT, 0, Shows.VALUE, "methane", WORD, when_stale=WhenStale.REFUSE, place=HERE)
    block = Block(Table.INPUT, 300, 1, Layout("point", (item,)), "AT-421", "AT-421", HERE)
    refusing = Ground([Device(1, (block,))] * 256)
    for function in (3, 4):
        meant = probably_meant(refusing, Request(1, function, 298, 4), 0x0B)
        assert meant == "a stale value refuses to be read: AT-421 methane (map.yaml:7)"
    assert probably_meant(refusing, Request(1, 4, 301, 1), 0x0B) == ""


@given(st.integers(0, 255), st.integers(1, 127), st.binary(max_size=12))
def test_any_request_that_is_refused_has_a_sentence_or_none(unit: int, function: int, rest: bytes) -> None:
    for code in (1, 2, 3, 4, 11):
        meant = probably_meant(GROUND, Request.of(unit, bytes((function,)) + rest), code)
        assert not meant.endswith(".")
        assert len(meant) < 200


@given(st.data())
def test_what_it_says_is_there_can_be_read(data: st.DataObject) -> None:
    """A slip by one is told only where the right request is answered."""
    start, quantity = data.draw(st.integers(80, 150)), data.draw(st.integers(1, 40))
    meant = probably_meant(GROUND, Request(1, 4, start, quantity), 2)
    for step, words in ((-1, "a data number"), (1, "it begins one too low")):
        if meant.startswith(words):
            assert start + step >= 100
            assert start + step + quantity <= 132


def test_every_refusal_of_a_whole_site_is_taken(trial: Site, start: Now) -> None:
    """Each served function, asked for what is not there, gets its exception and a sentence about it."""
    account = Account("502", "192.0.2.7", start, trial.refusals)
    client = Conversation(trial.units(), ANYBODY, account)
    for function in SERVES:
        client.receive(struct.pack(">HHHBBHH", 1, 0, 6, 1, function, 60000, 1), start)
    devices = trial.declared.devices
    ground = Ground(who_answers(served_by(devices, None), {each.name: each for each in devices}))
    wrong = account.wrong.values()
    told = {each.request.function for each in wrong if probably_meant(ground, each.request, each.code)}
    assert told >= {1, 2, 3, 4, 6}
