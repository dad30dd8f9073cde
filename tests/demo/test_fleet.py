"""The fleet: its messages taken by a real site core, and published through a real broker."""

from __future__ import annotations

import asyncio
import itertools
import time
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from aggregator.config.configuration import Configuration
from aggregator.core.decoding import fits
from aggregator.core.errors import Refusal
from aggregator.core.meter import NEVER_SEEN, STALE
from aggregator.core.reading import Now, Reason
from aggregator.core.site import Site
from aggregator.demo.embedded import Access, embedded_broker, free_port
from aggregator.demo.fleet import Fleet, NoBroker, cast_parts, free_node, run_fleet
from aggregator.demo.nodes import Message, topic_of

EPOCH = 1_780_000_000.0  # an arbitrary moment of 2026
HOUR = 3600.0


def utc(seconds: float) -> float:
    return EPOCH + seconds


def until(fleet: Fleet, moment: float) -> Iterator[Message]:
    return itertools.takewhile(lambda message: message.at < moment, fleet.messages())


def play(sample: Configuration, moment: float) -> tuple[Fleet, Site]:
    """A site that has taken the fleet's messages up to a moment of its life."""
    fleet = Fleet(sample, utc)
    site = Site(sample.declared, Now(0.0, EPOCH))
    for message in until(fleet, moment):
        now = Now(message.at, utc(message.at))
        site.tick(now)
        for note in site.receive(message.topic, message.text, retained=False, now=now):
            assert note.event != "uplink refused" or message.topic == topic_of_unlinked(fleet), note
    site.tick(Now(moment, utc(moment)))
    return fleet, site


def topic_of_unlinked(fleet: Fleet) -> str:
    assert fleet.unlinked is not None
    return topic_of(fleet.unlinked.envelope, fleet.unlinked.node)


def test_messages_come_in_order_of_time(sample: Configuration) -> None:
    moments = [message.at for message in until(Fleet(sample, utc), HOUR)]
    assert moments == sorted(moments)
    assert len(moments) > 300


def test_the_same_seed_makes_the_same_messages(sample: Configuration) -> None:
    one, same, other = (list(until(Fleet(sample, utc, seed), HOUR / 4)) for seed in (3, 3, 4))
    assert one == same
    assert one != other


def test_every_linked_meter_is_live_within_five_real_seconds_at_speed_sixty(sample: Configuration) -> None:
    _, site = play(sample, 5 * 60.0)
    linked = [meter for meter in sample.declared.meters if meter.node]
    assert [meter.tag for meter in linked if site.states[meter.tag].reasons & NEVER_SEEN] == []
    assert site.figures.counts.accepted >= len(linked) >= 40


def test_an_hour_of_the_demo_shows_what_can_go_wrong(sample: Configuration) -> None:
    fleet, site = play(sample, 2 * HOUR)
    parts = {
        "over range": next(tag for tag, each in fleet.traits.items() if each.over_range[0] < HOUR),
        "silent": next(tag for tag, each in fleet.traits.items() if each.silent_from < 2 * HOUR),
    }
    assert site.states[parts["silent"]].reasons & STALE
    assert site.figures.counts.duplicate > 0
    assert sum(state.sequence.lost for state in site.states.values()) > 0
    assert set(site.figures.counts.rejected) == {Refusal.UNKNOWN_NODE}  # of the node that sits on no meter
    over = fleet.traits[parts["over range"]].over_range
    _, before = play(sample, (over[0] + over[1]) / 2)
    assert before.states[parts["over range"]].reasons & Reason.OUT_OF_RANGE
    assert not site.states[parts["over range"]].reasons & Reason.OUT_OF_RANGE


def test_totals_only_grow(sample: Configuration) -> None:
    totals = []
    for moment in (HOUR, 2 * HOUR):
        _, site = play(sample, moment)
        for meter in sample.declared.meters:
            index = meter.profile.index_of("volume")
            if index is not None:
                value = site.states[meter.tag].readings[index].value
                assert isinstance(value, int | float)
                totals.append(value)
    half = len(totals) // 2
    assert half >= 10
    growing = [later - earlier for earlier, later in zip(totals[:half], totals[half:], strict=True)]
    assert all(each >= 0 for each in growing)
    assert sum(each > 0 for each in growing) >= half - 1  # one may be the silent one


def test_each_envelope_carries_some_of_the_meters(sample: Configuration) -> None:
    used = {message.topic.split("/")[0] for message in until(Fleet(sample, utc), 60.0)}
    assert used == {"lns", "radio"}


def test_a_meter_that_no_envelope_can_carry_is_named(sample: Configuration) -> None:
    only_raw = tuple(replace(envelope, fields=None) for envelope in sample.declared.envelopes)
    fleet = Fleet(replace(sample, declared=replace(sample.declared, envelopes=only_raw)), utc)
    linked = [meter for meter in sample.declared.meters if meter.node]
    decoded_only = [meter.tag for meter in linked if not meter.profile.payloads and not meter.profile.records]
    assert fleet.left_out == decoded_only
    assert len(fleet.nodes) + len(fleet.left_out) == sum(meter.node is not None for meter in sample.declared.meters)


def test_one_node_more_reports_and_sits_on_no_meter_and_only_the_free_one_fits(sample: Configuration) -> None:
    fleet, site = play(sample, HOUR / 2)
    assert fleet.unlinked is not None
    (heard,) = site.linking.heard
    assert (heard.node, heard.count) == (fleet.unlinked.node, 3)
    assert heard.node not in {meter.node for meter in sample.declared.meters}
    profiles = {meter.profile.name: meter.profile for meter in sample.declared.meters}
    fit = fits(profiles.values(), heard.newest[-1].uplink)[0]
    free = [meter for meter in sample.declared.meters if meter.node is None]
    assert [(meter.tag, meter.profile.name) for meter in free] == [(fleet.unlinked.meter.tag, fit.profile)]
    assert [(each.field, each.reasons) for each in fit.read] == [("carbon_dioxide", 0), ("battery", 0)]


def test_its_deveui_is_one_that_the_files_have_not(sample: Configuration) -> None:
    first = free_node(set())
    assert free_node({first, None}) == f"{int(first, 16) + 1:016x}"
    linked = tuple(replace(meter, node=meter.node or first) for meter in sample.declared.meters)
    everywhere = replace(sample, declared=replace(sample.declared, meters=linked))
    assert Fleet(everywhere, utc).unlinked is None


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_a_small_site_keeps_half_of_its_meters_sound(sample: Configuration, count: int) -> None:
    assert len(cast_parts(list(sample.declared.meters[:count]), 1)) <= count / 2


async def test_the_fleet_publishes_each_message_at_its_time(sample: Configuration) -> None:
    async with embedded_broker() as access:
        heard: asyncio.Queue[tuple[str, bytes]] = asyncio.Queue()
        listener = await listening(access, heard)
        sent: list[Message] = []
        start = time.monotonic()

        def now() -> Now:
            return Now(60 * (time.monotonic() - start), EPOCH)

        fleet = asyncio.create_task(run_fleet(sample, access, now=now, speed=60, sent=sent.append))
        async with asyncio.timeout(20):
            received = [await heard.get() for _ in range(44)]
        fleet.cancel()
        await asyncio.gather(fleet, return_exceptions=True)
        assert sorted(received[:44]) == sorted((message.topic, message.text) for message in sent[:44])
        assert time.monotonic() - start >= sent[43].at / 60
        listener.disconnect()
        await asyncio.to_thread(listener.loop_stop)


async def listening(access: Access, heard: asyncio.Queue[tuple[str, bytes]]) -> mqtt.Client:
    """A client of its own that hears everything."""
    loop = asyncio.get_running_loop()
    subscribed = asyncio.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set(access.user, access.password)

    def on_connect(client: mqtt.Client, *_: Any) -> None:
        client.subscribe("#", qos=1)

    def on_subscribe(*_: Any) -> None:
        loop.call_soon_threadsafe(subscribed.set)

    def on_message(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        loop.call_soon_threadsafe(heard.put_nowait, (message.topic, bytes(message.payload)))

    client.on_connect, client.on_subscribe, client.on_message = on_connect, on_subscribe, on_message
    client.connect(access.host, access.port)
    client.loop_start()
    async with asyncio.timeout(10):
        await subscribed.wait()
    return client


async def test_a_fleet_without_a_broker_says_so(sample: Configuration) -> None:
    access = Access("127.0.0.1", free_port(), "aggregator", "secret")
    with pytest.raises(NoBroker, match=f"no broker answers at 127.0.0.1:{access.port}"):
        await run_fleet(sample, access, now=lambda: Now(0.0, EPOCH))


async def test_a_fleet_with_a_wrong_password_is_refused(sample: Configuration) -> None:
    async with embedded_broker() as access:
        wrong = replace(access, password="wrong")
        with pytest.raises(NoBroker, match="refuses the user aggregator"):
            await run_fleet(sample, wrong, now=lambda: Now(0.0, EPOCH))
