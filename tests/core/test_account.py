"""The account of a host: requests, rate, runs of addresses and what went wrong, each within its bound."""

from __future__ import annotations

import struct
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core import account as accounting
from aggregator.core.access import NOTHING, Party, Right
from aggregator.core.account import MOST_ACCOUNTS, MOST_POLLS, MOST_RUNS, MOST_WRONG, Account, Accounts, merged
from aggregator.core.keeping import KeptEvent
from aggregator.core.modbus import Conversation
from aggregator.core.reading import Now
from aggregator.core.site import Site
from tests.core.conftest import ANYBODY, FIRST


@pytest.fixture
def account(trial: Site, start: Now) -> Account:
    return Accounts(trial.refusals).open("127.0.0.1:502", "192.0.2.7", start)


@pytest.fixture
def client(trial: Site, account: Account) -> Conversation:
    return Conversation(trial.units(), ANYBODY, account)


def read(start: int, count: int, unit: int = 1, function: int = 4) -> bytes:
    return struct.pack(">HHHBBHH", 1, 0, 6, unit, function, start, count)


def later(start: Now, seconds: float) -> Now:
    return Now(start.monotonic + seconds, start.utc + seconds)


def test_every_request_is_counted_once_however_it_came(client: Conversation, account: Account, start: Now) -> None:
    frames = [read(FIRST, 4), read(FIRST, 4), read(FIRST, 9, function=1), read(9999, 1), b"\0\1\0\0\0\2\1\x11"]
    for frame in frames:
        client.receive(frame, start)
    client.receive(b"".join(frames), start)
    for byte in b"".join(frames):
        client.receive(bytes((byte,)), start)
    assert account.requests == client.requests == 15
    assert account.units == {1: 15}
    assert account.exceptions == {2: 3}


def test_a_read_that_is_repeated_is_answered_the_same_by_the_shortest_way(client: Conversation, start: Now) -> None:
    for function in (1, 2, 3, 4):
        first = client.receive(read(FIRST, 5, function=function), start)
        assert client.receive(read(FIRST, 5, function=function), start) == first
        assert first[7] == function
    assert len(client.account.polls) == 4


def test_a_poll_that_becomes_wrong_gets_its_exception(client: Conversation, start: Now) -> None:
    """The tables behind a unit can change between two requests: exceptions of V1.1b3 section 7."""
    client.receive(read(FIRST, 4), start)
    client.units = [None] * 256
    assert client.receive(read(FIRST, 4), start)[7:] == b"\x84\x0b"
    assert client.account.requests == 2


def test_what_one_party_may_read_answers_no_other(trial: Site, account: Account, start: Now) -> None:
    Conversation(trial.units(), Party("reader", Right.READ), account).receive(read(FIRST, 4), start)
    other = Conversation(trial.units(), Party("nobody", NOTHING), account)
    assert other.receive(read(FIRST, 4), start)[7:] == b"\x84\x01"


def test_runs_are_those_addresses_that_were_read(client: Conversation, account: Account, start: Now) -> None:
    for begin, count in ((FIRST, 4), (FIRST + 4, 4), (FIRST + 10, 2), (FIRST, 2)):
        client.receive(read(begin, count), start)
    client.receive(read(FIRST, 2, unit=255), start)
    client.receive(read(60000, 2), start)  # refused: it was not read
    assert account.runs() == {
        (1, 4): [(FIRST, FIRST + 8), (FIRST + 10, FIRST + 12)],
        (255, 4): [(FIRST, FIRST + 2)],
    }


@given(st.lists(st.tuples(st.integers(0, 3000), st.integers(1, 125)), max_size=200))
def test_merged_runs_cover_all_and_stay_few(spans: list[tuple[int, int]]) -> None:
    given_spans = [(start, start + count) for start, count in spans]
    runs = merged(given_spans)
    assert len(runs) <= MOST_RUNS
    assert all(any(start <= begin and end <= last for start, last in runs) for begin, end in given_spans)
    assert all(one[1] < other[0] for one, other in pairwise(runs))
    covered = {address for begin, end in given_spans for address in range(begin, end)}
    if len(runs) < MOST_RUNS:  # else some of what lies between was taken in
        assert sum(end - begin for begin, end in runs) == len(covered)


def test_a_client_that_never_asks_the_same_twice_fills_no_memory(
    client: Conversation, account: Account, start: Now
) -> None:
    for count in range(1, 40):
        for begin in range(FIRST, FIRST + 30):
            client.receive(read(begin, count), start)
    assert len(account.polls) <= MOST_POLLS
    assert account.requests == 39 * 30
    assert sum(len(runs) for runs in account.runs().values()) <= MOST_RUNS


def test_what_went_wrong_is_kept_by_request_with_count_and_time(
    client: Conversation, account: Account, start: Now
) -> None:
    for at in range(3):
        client.receive(read(9999, 2), later(start, at))
    client.receive(read(FIRST, 126), start)
    wrong = {(each.request.start, each.request.quantity, each.code): each for each in account.wrong.values()}
    assert wrong.keys() == {(9999, 2, 2), (FIRST, 126, 3)}
    assert (wrong[9999, 2, 2].times, wrong[9999, 2, 2].last) == (3, start.utc + 2)
    for at in range(100):
        client.receive(read(10000 + at, 1), start)
    assert len(account.wrong) == MOST_WRONG
    assert account.exceptions == {2: 103, 3: 1}


@pytest.mark.parametrize("pdu", ["2B", "07", "41 00", "06 00", "05", "17 00 00 00 01 00 00 00 01 02"])
def test_requests_of_any_shape_are_taken(client: Conversation, account: Account, start: Now, pdu: str) -> None:
    data = bytes.fromhex(pdu)
    client.receive(struct.pack(">HHHB", 1, 0, len(data) + 1, 1) + data, start)
    assert account.requests == 1


def test_a_refused_write_is_journalled_once_a_minute(
    trial: Site, client: Conversation, account: Account, start: Now
) -> None:
    for _ in range(50):
        client.receive(bytes.fromhex("0001 0000 0006 01 06 EA60 0001"), start)
    events = [kept for kept in trial.take_kept() if isinstance(kept, KeptEvent)]
    assert [(event.event, event.who) for event in events] == [("write refused", "192.0.2.7")]
    assert events[0].facts == {
        "client": ANYBODY.name,
        "unit": 1,
        "function": 6,
        "start": 60000,
        "quantity": 1,
        "result": "exception 02",
    }
    assert trial.refusals.counts.total() == 50


def test_the_rate_is_that_of_the_last_minute(client: Conversation, account: Account, start: Now) -> None:
    for second in range(200):
        now = later(start, second)
        for _ in range(10 if second < 100 else 2):
            client.receive(read(FIRST, 1), now)
        account.look(now)
        if second == 50:
            assert account.rate(now) == pytest.approx(10, rel=0.03)
    assert account.rate(later(start, 200)) == pytest.approx(2, rel=0.1)
    assert account.last == start.utc + 199
    assert len(account._marks) <= 10


def test_the_account_outlives_its_connections_and_counts_them(trial: Site, start: Now) -> None:
    accounts = Accounts(trial.refusals)
    first, second = (accounts.open("502", "192.0.2.7", start) for _ in range(2))
    assert first is second
    accounts.close(first, start)
    assert (first.connections, first.connected) == (1, 2)
    assert accounts.open("802", "192.0.2.7", start) is not first


def test_of_too_many_hosts_the_one_that_has_left_longest_ago_goes(trial: Site, start: Now) -> None:
    accounts = Accounts(trial.refusals)
    opened = [accounts.open("502", f"host {at}", later(start, at)) for at in range(MOST_ACCOUNTS)]
    for each in (opened[0], opened[7], opened[3]):
        accounts.close(each, each.since)
    accounts.open("502", "one more", later(start, 1000))
    hosts = {each.host for each in accounts}
    assert len(hosts) == MOST_ACCOUNTS
    assert {"host 7", "host 3", "one more"} <= hosts
    assert "host 0" not in hosts


def test_the_head_of_a_poll_s_answer_is_that_of_the_specification() -> None:
    """V1.1b3 sections 6.1 and 6.3: 19 coils are 3 bytes, 3 registers 6; the length counts unit to end (guide 3.1.3)."""
    bits = accounting.Poll(bytes.fromhex("0000 0006 01 01 0013 0013"))
    words = accounting.Poll(bytes.fromhex("0000 0006 11 03 006B 0003"))
    assert bits.head == bytes.fromhex("0000 0006 01 01 03")
    assert words.head == bytes.fromhex("0000 0009 11 03 06")
