"""Several readings in one uplink: read whole or not at all, in the order in which they were measured, and dated."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.dating import NODE_CLOCK_OFF, OLDEST, ORDINARY, NodeClock
from aggregator.core.encoding import Scale
from aggregator.core.errors import DecodeError, Refusal
from aggregator.core.pointer import Pointer
from aggregator.core.profile import Binary, BinaryItem
from aggregator.core.reading import Now
from aggregator.core.records import Batch, DecodedRecords, Record, Records, Stamp, batch_of, dated

NOW = Now(monotonic=5000.0, utc=1_795_600_000.0)
LAYOUT = Binary((BinaryItem(0, 0, 2, "uint", "big", None, Scale()),))
BY_TIME = Records(1, 6, Stamp(2, 4, "big", None), LAYOUT)
BY_AGE = Records(0, 4, Stamp(2, 2, "big", 60.0), LAYOUT)


def binary(head: bytes, form: str, *records: tuple[int, int]) -> bytes:
    return head + b"".join(struct.pack(form, *each) for each in records)


def refusal_of(records: Records, payload: bytes) -> Refusal:
    with pytest.raises(DecodeError) as caught:
        records.decode(payload)
    return caught.value.refusal


def test_records_come_oldest_first_whatever_order_they_stand_in() -> None:
    payload = binary(b"\x07", ">HI", (30, 1_795_599_400), (10, 1_795_598_200), (20, 1_795_598_800))
    batch = BY_TIME.decode(payload)
    assert [(record.when, record.pairs) for record in batch.records] == [
        (1_795_598_200, [(0, 10)]),
        (1_795_598_800, [(0, 20)]),
        (1_795_599_400, [(0, 30)]),
    ]
    ages = BY_AGE.decode(binary(b"", ">HH", (30, 0), (10, 20), (20, 10)))
    assert [(record.when, record.pairs) for record in ages.records] == [
        (1200.0, [(0, 10)]),
        (600.0, [(0, 20)]),
        (0.0, [(0, 30)]),
    ]


@pytest.mark.parametrize("extra", range(1, 6))
def test_half_a_record_refuses_the_whole_payload(extra: int) -> None:
    assert refusal_of(BY_TIME, binary(b"\x07", ">HI", (1, 2)) + bytes(extra)) is Refusal.BAD_PAYLOAD


def test_a_payload_without_a_record_is_a_keep_alive_and_one_without_its_head_is_refused() -> None:
    assert refusal_of(BY_TIME, b"\x07") is Refusal.NO_DATA
    assert refusal_of(BY_TIME, b"") is Refusal.BAD_PAYLOAD


@given(st.binary(max_size=64))
def test_any_bytes_are_records_or_a_refusal(payload: bytes) -> None:
    try:
        batch = BY_TIME.decode(payload)
    except DecodeError:
        return
    assert len(batch.records) <= (len(payload) - 1) // 6
    assert [record.when for record in batch.records] == sorted({record.when for record in batch.records})


def test_records_of_one_time_are_one_reading() -> None:
    batch = batch_of([Record(5.0, [(0, 1)]), Record(5.0, [(1, 2)]), Record(4.0, [(0, 3)])], None)
    assert batch.records == (Record(4.0, [(0, 3)]), Record(5.0, [(0, 1), (1, 2)]))


# Decoded


def test_decoded_records_stand_in_an_array_and_each_has_its_time() -> None:
    listed = DecodedRecords(Pointer("/log"), Pointer("/at"), None)
    one, two = {"at": "2026-11-25T08:00:00Z", "flow": 1}, {"at": 1_795_593_660, "flow": 2}
    # 2026-11-25T08:00:00Z is 1 795 593 600 s after 1970 (computed with GNU date)
    assert listed.split({"log": [one, two]}) == [(1_795_593_600.0, one), (1_795_593_660.0, two)]
    assert listed.split({"flow": 1}) is None
    aged = DecodedRecords(Pointer("/log"), Pointer("/ago"), 60.0)
    assert aged.split({"log": [{"ago": 15}]}) == [(900.0, {"ago": 15})]


@pytest.mark.parametrize(
    ("step", "log", "refusal"),
    [
        (None, {"at": 1}, Refusal.WRONG_TYPE),
        (None, [{"flow": 1}], Refusal.MISSING),
        (None, [{"at": "yesterday"}], Refusal.WRONG_TYPE),
        (60.0, [{"at": "2026-11-25T08:00:00Z"}], Refusal.WRONG_TYPE),
        (60.0, [{"at": -1}], Refusal.WRONG_TYPE),
        (60.0, [{"at": True}], Refusal.WRONG_TYPE),
        (60.0, [{"at": 10**400}], Refusal.WRONG_TYPE),
        (60.0, ["odd"], Refusal.MISSING),
    ],
)
def test_an_odd_log_is_refused(step: float | None, log: object, refusal: Refusal) -> None:
    with pytest.raises(DecodeError) as caught:
        DecodedRecords(Pointer("/log"), Pointer("/at"), step).split({"log": log})
    assert caught.value.refusal is refusal


# Times


def moments(*ago: float) -> Batch:
    return Batch(tuple(Record(NOW.utc - each, [(0, each)]) for each in ago), None)


def ages_of(batch: Batch, received: float | None = None, clock: NodeClock = ORDINARY) -> tuple[list[float], int]:
    found, reasons = dated(batch, received, NOW, clock)
    assert [times.received for times, _ in found] == [received] * len(found)
    return [NOW.monotonic - times.since for times, _ in found], reasons


def test_each_record_is_as_old_as_its_time_says() -> None:
    ages, reasons = ages_of(moments(1800.0, 900.0, 2.0), NOW.utc - 1)
    assert ages == pytest.approx([1800.0, 900.0, 2.0])
    assert reasons == 0


def test_an_age_counts_from_when_the_network_heard_the_uplink() -> None:
    batch = Batch((Record(600.0, []), Record(0.0, [])), 60.0)
    found, reasons = dated(batch, NOW.utc - 100, NOW, ORDINARY)
    assert [times.observed for times, _ in found] == [NOW.utc - 700, NOW.utc - 100]
    assert reasons == 0
    assert ages_of(batch)[0] == pytest.approx([600.0, 0.0])


@pytest.mark.parametrize("ahead", [3600.0, -OLDEST - 86400.0])
def test_a_clock_that_is_off_still_tells_how_far_its_records_are_apart(ahead: float) -> None:
    batch = Batch(tuple(Record(NOW.utc + ahead - each, []) for each in (1800.0, 900.0, 0.0)), None)
    ages, reasons = ages_of(batch, NOW.utc - 5)
    assert ages == pytest.approx([1805.0, 905.0, 5.0])
    assert reasons == NODE_CLOCK_OFF


def test_one_time_that_cannot_be_true_takes_the_trust_from_all_of_its_clock() -> None:
    clock = NodeClock(not_before=NOW.utc - 1000)
    ages, reasons = ages_of(moments(1800.0, 900.0, 60.0), NOW.utc, clock)
    assert ages == pytest.approx([1740.0, 840.0, 0.0])
    assert reasons == NODE_CLOCK_OFF


@pytest.mark.parametrize(
    "batch",
    [Batch((Record(0.0, []), Record(NOW.utc, [])), None), Batch((Record(OLDEST + 60.0, []), Record(0.0, [])), 60.0)],
    ids=["the clock was set in between", "age"],
)
def test_records_further_apart_than_a_node_keeps_them_are_refused(batch: Batch) -> None:
    with pytest.raises(DecodeError, match="older than a node keeps"):
        dated(batch, NOW.utc, NOW, ORDINARY)


def test_a_gateway_whose_clock_was_never_set_counts_from_arrival() -> None:
    at_1970 = Now(monotonic=20.0, utc=20.0)
    found, reasons = dated(moments(900.0, 0.0), NOW.utc, at_1970, ORDINARY)
    assert [20.0 - times.since for times, _ in found] == [900.0, 0.0]
    assert reasons == NODE_CLOCK_OFF
