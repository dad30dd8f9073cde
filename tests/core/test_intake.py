"""The road of an uplink where the network says more of it: sessions, short counters, several radios, odd clocks."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import pytest

from aggregator.core.dating import NodeClock
from aggregator.core.encoding import Scale
from aggregator.core.intake import HEAD
from aggregator.core.keeping import KeptAside, KeptEvent, KeptState, KeptUplink
from aggregator.core.meter import Meter
from aggregator.core.pointer import Pointer
from aggregator.core.profile import Binary, BinaryItem, Profile
from aggregator.core.reading import Now, Reason
from aggregator.core.records import DecodedRecords, Records, Stamp
from aggregator.core.site import Site
from aggregator.core.uplink import LONGEST_MESSAGE, Envelope, Radio

SiteOf = Callable[..., Site]
MessageOf = Callable[..., bytes]
Later = Callable[[float], Now]
Hear = Callable[..., list[str]]

GOOD = {"flow": 12.5, "volume": 100, "methane": 1.5}
DAY = 86400.0


@pytest.fixture
def site_with(site_of: SiteOf, start: Now) -> Callable[..., Site]:
    """A site whose envelope says more: `site_with(session=Pointer(...))`."""

    def build(**parts: object) -> Site:
        site = site_of()
        envelope: Envelope = replace(site.declared.envelopes[0], **parts)  # type: ignore[arg-type]
        return Site(replace(site.declared, envelopes=(envelope,)), start)

    return build


@pytest.fixture
def hear(message: MessageOf, later: Later) -> Hear:
    """Deliver an uplink that the network heard at `at` and that arrives at `now` (s after the start, `at` if left out).

    `address` is the session, `radios` all that heard it. Returns the events noted.
    """

    def deliver(
        site: Site,
        counter: int,
        at: float,
        *,
        now: float | None = None,
        address: object = None,
        radios: object = None,
        **keys: object,
    ) -> list[str]:
        document = json.loads(message(counter, at=at, **(keys or GOOD)))
        document["device"]["address"] = address
        if radios is not None:
            document["radio"] = radios
        text = json.dumps(document).encode()
        moment = later(at if now is None else now)
        return [note.event for note in site.receive("lns/a/up", text, retained=False, now=moment)]

    return deliver


@pytest.fixture
def in_sessions(site_with: Callable[..., Site]) -> Site:
    return site_with(session=Pointer("/device/address"))


def flow(site: Site) -> object:
    return site.states["FT-101"].readings[0].value


# Sessions


def test_a_node_that_joins_anew_is_taken_at_once_and_the_journal_says_so(in_sessions: Site, hear: Hear) -> None:
    hear(in_sessions, 500, 0, address="26011bda")
    assert hear(in_sessions, 0, 20, address="26011bdb", flow=40) == ["node joined anew"]
    assert flow(in_sessions) == 40
    [event] = [each for each in in_sessions.take_kept() if isinstance(each, KeptEvent)]
    assert event.facts == {"node": "70b3d57ed0000001", "counter": 0, "session": "26011bdb"}


def test_an_old_frame_of_the_same_session_is_never_shown(in_sessions: Site, hear: Hear) -> None:
    """A recorded frame that somebody sends again, or one that a network hands on a day later."""
    hear(in_sessions, 500, 0, address="26011bda")
    assert hear(in_sessions, 40, DAY, address="26011bda", flow=99) == ["late uplink not shown"]
    assert flow(in_sessions) == 12.5
    assert in_sessions.figures.counts.late == 1


def test_a_frame_of_the_session_before_is_late(in_sessions: Site, hear: Hear) -> None:
    hear(in_sessions, 500, 0, address="26011bda")
    hear(in_sessions, 0, 20, address="26011bdb", flow=40)
    assert hear(in_sessions, 501, 15, now=21, address="26011bda", flow=99) == ["late uplink not shown"]
    assert flow(in_sessions) == 40


def test_a_session_is_kept_when_it_begins_and_not_at_every_uplink(in_sessions: Site, hear: Hear, start: Now) -> None:
    for counter, address in ((1, "a"), (2, "a"), (3, "a"), (0, "b"), (1, "b")):
        hear(in_sessions, counter, 900.0 * counter, address=address)
    kept = [each.value for each in in_sessions.take_kept() if isinstance(each, KeptState)]
    assert kept[0] == {"node": "70b3d57ed0000001", "sessions": [("a", start.utc + 900)]}
    assert len(kept) == 2


def test_a_session_may_be_a_number_and_an_absent_one_is_told_by_time(in_sessions: Site, hear: Hear) -> None:
    assert hear(in_sessions, 5, 0, address=637606874) == []
    assert hear(in_sessions, 0, 20, address=637606875) == ["node joined anew"]
    assert hear(in_sessions, 1, 900) == []
    assert hear(in_sessions, 0, 1800) == ["frame counter began anew"]
    assert hear(in_sessions, 9, 2700, address=[1]) == ["uplink refused"]


# Sixteen bits


def test_a_short_counter_is_shown_and_kept_in_full(site_with: Callable[..., Site], hear: Hear) -> None:
    site = site_with(counter_bits=16)
    hear(site, 65535, 0)
    hear(site, 1, 1800)
    assert site.states["FT-101"].counter == 65537
    assert site.figures.lost == 1
    assert [each.counter for each in site.take_kept() if isinstance(each, KeptUplink)] == [65535, 65537]


def test_a_longer_counter_than_declared_is_refused(site_with: Callable[..., Site], hear: Hear) -> None:
    assert hear(site_with(counter_bits=16), 65536, 0) == ["uplink refused"]


# Radios


def test_a_better_duplicate_of_what_is_shown_improves_how_it_was_heard(
    site_of: SiteOf, hear: Hear, registers: Callable[..., tuple[int, ...]], later: Later
) -> None:
    site = site_of()
    hear(site, 1, 0, radios=[{"rssi": -110, "snr": -4}])
    hear(site, 1, 0.4, radios=[{"rssi": -90, "snr": 6}])
    hear(site, 1, 0.8, radios=[{"rssi": -80, "snr": 2}])
    assert site.states["FT-101"].radio == Radio(-90, 6, 9)
    assert registers(site.images[1], 113, 1, later(1)) == (65536 - 90,)
    [kept] = [each for each in site.take_kept() if isinstance(each, KeptUplink)]
    assert kept.radio == Radio(-110, -4, 9)  # the history keeps what was heard first


def test_a_duplicate_of_an_older_frame_or_one_hours_later_says_nothing_of_now(in_sessions: Site, hear: Hear) -> None:
    for at in (0, 900):
        hear(in_sessions, 1 + at // 900, at, address="a", radios=[{"rssi": -110, "snr": -4}])
    hear(in_sessions, 1, 0.4, now=901, address="a", radios=[{"rssi": -90, "snr": 6}])
    hear(in_sessions, 2, 9000, address="a", radios=[{"rssi": -90, "snr": 6}])
    assert in_sessions.figures.counts.duplicate == 2
    assert in_sessions.states["FT-101"].radio.rssi == -110


def test_of_several_radios_in_one_message_the_best_is_taken(site_with: Callable[..., Site], hear: Hear) -> None:
    site = site_with(radios=Pointer("/radio"), rssi=Pointer("/rssi"), snr=Pointer("/snr"))
    radios = [{"rssi": -80, "snr": -7}, {"rssi": -112, "snr": 3.5}, {"rssi": -99, "snr": 3.5}, {"rssi": -70}, "odd"]
    hear(site, 1, 0, radios=radios)
    assert site.states["FT-101"].radio == Radio(-99, 3.5, 9)
    hear(site, 2, 900, radios=[])
    assert site.states["FT-101"].radio == Radio(None, None, 9)


# Clocks


def test_a_node_clock_before_its_declared_epoch_is_not_believed(
    site_with: Callable[..., Site], hear: Hear, later: Later, start: Now
) -> None:
    """Two hours back is no time that the clock's defaults refuse."""
    for not_before, off in ((start.utc - 3600, True), (start.utc - 3 * 3600, False)):
        site = site_with(node_clock=NodeClock(not_before))
        hear(site, 1, 0, observed=start.utc - 7200, **GOOD)
        assert bool(site.states["FT-101"].reasons & Reason.NODE_CLOCK_OFF) is off
        assert site.states["FT-101"].age(later(0).monotonic) == (0 if off else 7200)


@pytest.mark.parametrize(("observed", "off"), [(100.0, False), (130.0, True), (-500.0, False), (-700.0, True)])
def test_what_a_node_clock_may_be_off_by_is_as_declared(
    site_with: Callable[..., Site], hear: Hear, start: Now, observed: float, off: bool
) -> None:
    site = site_with(node_clock=NodeClock(oldest=600, ahead=120))
    hear(site, 1, 0, observed=start.utc + observed, **GOOD)
    assert bool(site.states["FT-101"].reasons & Reason.NODE_CLOCK_OFF) is off


def test_a_network_time_that_cannot_be_true_orders_nothing(site_of: SiteOf, hear: Hear, later: Later) -> None:
    """One message dated tomorrow must not make all of today's late."""
    site = site_of()
    hear(site, 1, DAY, now=0)
    assert hear(site, 2, 900) == []
    assert hear(site, 3, 1800, flow=40) == []
    assert flow(site) == 40


# Refused


def test_an_old_frame_that_cannot_be_read_says_nothing_of_the_newest(site_of: SiteOf, hear: Hear) -> None:
    site = site_of()
    hear(site, 7, 0)
    hear(site, 9, 1800)
    assert hear(site, 8, 900, now=1801, payload=b"short") == ["uplink refused"]
    assert site.states["FT-101"].reasons == 0
    assert hear(site, 10, 2700, payload=b"short") == ["uplink refused"]
    assert site.states["FT-101"].reasons == Reason.DECODE_FAILED


def test_of_a_message_too_long_to_be_an_uplink_the_beginning_is_set_aside(site_of: SiteOf, later: Later) -> None:
    site = site_of()
    text = b'{"device": ' + b" " * LONGEST_MESSAGE
    [note] = site.receive("lns/a/up", text, retained=False, now=later(0))
    [aside] = [each for each in site.take_kept() if isinstance(each, KeptAside)]
    assert aside.message == text[:HEAD]
    assert aside.detail == note.facts["detail"] == f"{len(text)} bytes are more than an uplink has"


# Loss


def test_the_loss_of_a_day_shows_and_a_late_frame_corrects_it(site_of: SiteOf, hear: Hear) -> None:
    site = site_of()
    loss = site.states["FT-101"].sequence.loss
    for counter in (1, 2, 4):
        hear(site, counter, 900.0 * counter)
    assert loss.over_a_day() == 25.0
    hear(site, 3, 2700, now=3601)
    assert loss.over_a_day() == 0.0


# Batches


@pytest.fixture
def logging(meter_of: Callable[..., Meter], site_of: SiteOf, watchful: Profile, start: Now) -> Site:
    """A site whose meter sends what it has kept: decoded as `log`, or on port 8 as flow and minutes before."""
    layout = Binary((BinaryItem(0, 0, 2, "uint", "big", None, Scale(0.1)),))
    records: dict[int | None, Records] = {8: Records(0, 4, Stamp(2, 2, "big", 60.0), layout)}
    profile = replace(watchful, records=records, decoded_records=DecodedRecords(Pointer("/log"), Pointer("/at"), None))
    return site_of(profile=profile)


def log(start: Now, *readings: tuple[float, float]) -> dict[str, object]:
    """Decoded records: each s after the start, and a volume."""
    return {"log": [{"at": start.utc + at, "volume": volume, "flow": volume / 10} for at, volume in readings]}


def kept_uplinks(site: Site) -> list[KeptUplink]:
    return [each for each in site.take_kept() if isinstance(each, KeptUplink)]


def test_a_batch_fills_the_history_in_order_and_shows_the_newest(logging: Site, hear: Hear, start: Now) -> None:
    hear(logging, 1, 4000, fields=log(start, (3900, 130), (2100, 110), (3000, 120)))
    state = logging.states["FT-101"]
    kept = kept_uplinks(logging)
    assert [each.at - start.utc for each in kept] == pytest.approx([2100, 3000, 3900])
    assert [(each.readings[0].value, each.late) for each in kept] == [(11, False), (12, False), (13, False)]
    assert [each.observed for each in kept] == [start.utc + 2100, start.utc + 3000, start.utc + 3900]
    assert [each.counter for each in kept] == [1, 1, 1]
    assert state.readings[0].value == 13
    assert state.age(start.monotonic + 4000) == pytest.approx(100)
    assert logging.figures.counts.accepted == 1


def test_totals_and_jumps_see_the_readings_of_a_batch_in_order(logging: Site, hear: Hear, start: Now) -> None:
    """The counter comes round at 1000 between the second and the third, and grows by 0.15 m3/s at most."""
    assert hear(logging, 1, 3600, fields=log(start, (0, 980), (900, 990), (1800, 10), (2700, 20))) == [
        "counter wrapped"
    ]
    assert logging.states["FT-101"].totals[1].so_far == 1020
    totals = [reading.value for each in kept_uplinks(logging) for reading in each.readings if "total" in reading.field]
    assert totals == [980, 990, 1010, 1020]


def test_a_reading_of_a_batch_that_is_older_than_what_is_shown_is_late(logging: Site, hear: Hear, start: Now) -> None:
    hear(logging, 1, 1000, volume=110, flow=11)
    kept_uplinks(logging)
    assert hear(logging, 2, 2000, fields=log(start, (100, 101), (1900, 119))) == []
    assert [(each.late, each.readings[0].value) for each in kept_uplinks(logging)] == [(True, 10.1), (False, 11.9)]
    assert logging.states["FT-101"].totals[1].so_far == 119


def test_a_batch_that_is_repeated_in_another_frame_shows_nothing_twice(logging: Site, hear: Hear, start: Now) -> None:
    hear(logging, 1, 2000, fields=log(start, (100, 101), (1000, 110), (1900, 119)))
    kept_uplinks(logging)
    hear(logging, 2, 2900, fields=log(start, (1000, 110), (1900, 119), (2800, 128)))
    kept = kept_uplinks(logging)
    assert [each.late for each in kept] == [True, True, False]
    assert {each.within for each in kept} == {0.001}
    assert logging.states["FT-101"].totals[1].so_far == 128
    hear(logging, 3, 3000, fields=log(start, (1900, 119), (2800, 128)))
    state = logging.states["FT-101"]
    assert (state.readings[0].value, state.counter) == (12.8, 3)
    assert logging.figures.counts.accepted == 3


def test_a_batch_that_only_repeats_what_is_known_by_age_is_no_news_whatever_its_rounding(
    logging: Site, hear: Hear, start: Now
) -> None:
    """Sent at 4000 s, and once more 50 s later, with the same ages in whole minutes and one reading more."""
    hear(logging, 1, 4000, port=8, payload=bytes.fromhex("000a 001e 0014 000f 001e 0000"))
    hear(logging, 2, 4050, port=8, payload=bytes.fromhex("0014 000f 001e 0000"))
    kept = kept_uplinks(logging)
    assert [(each.late, each.readings[0].value) for each in kept] == [
        (False, 1.0),
        (False, 2.0),
        (False, 3.0),
        (True, 2.0),
        (True, 3.0),
    ]
    assert {each.within for each in kept} == {60.0}


def test_a_batch_that_comes_late_or_doubled_is_told_by_its_frame(logging: Site, hear: Hear, start: Now) -> None:
    fields = log(start, (100, 101), (1000, 110))
    hear(logging, 2, 2000, volume=120, flow=12)
    assert hear(logging, 1, 1100, now=2001, fields=fields) == ["late uplink not shown"]
    assert hear(logging, 1, 1100, now=2001, fields=fields) == []
    counts = logging.figures.counts
    assert (counts.accepted, counts.late, counts.duplicate) == (1, 1, 1)
    assert [each.late for each in kept_uplinks(logging)] == [False, True, True]


def test_a_batch_that_cannot_be_read_changes_nothing_and_is_taken_after_the_fix(
    logging: Site, hear: Hear, start: Now, later: Later, message: MessageOf
) -> None:
    odd = {"log": [{"at": start.utc + 100, "volume": 101}, {"at": "odd", "volume": 110}]}
    assert hear(logging, 1, 2000, fields=odd) == ["uplink refused"]
    assert logging.states["FT-101"].totals == {}
    logging.take_kept()
    text = message(1, at=2000, fields=log(start, (100, 101), (1000, 110)))
    logging.replay("lns/a/up", text, arrived=later(2000).utc, now=later(9000))
    assert [each.at - start.utc for each in kept_uplinks(logging)] == pytest.approx([100, 1000])
    assert logging.states["FT-101"].age(later(9000).monotonic) == pytest.approx(8000)


def test_an_object_without_a_log_is_one_reading_and_an_empty_log_a_keep_alive(logging: Site, hear: Hear) -> None:
    hear(logging, 1, 0, volume=100)
    hear(logging, 2, 900, fields={"log": []})
    state = logging.states["FT-101"]
    assert (state.readings[1].value, state.counter, logging.figures.counts.rejected.total()) == (100, 2, 0)
