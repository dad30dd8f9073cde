"""The broker link when things go wrong: a broker that dies, freezes or floods, a rival, and poison."""

from __future__ import annotations

import asyncio
import base64
import itertools
import json
import signal
import struct
import time
from collections.abc import Callable
from pathlib import Path
from threading import Event, Thread
from typing import TYPE_CHECKING, Any, Self

import pytest

from aggregator.mqtt import Broker, BrokerLink
from aggregator.mqtt.broker import ANSWER_WITHIN

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Rig, Service

pytestmark = pytest.mark.peer("mosquitto")
PERSISTENT = ("allow_anonymous true", "persistence true", "autosave_interval 1", "autosave_on_changes true")
KEEPALIVE = 2  # s, short so that the tests are
CEILINGS = (1, 2, 4, 8, 16, 32, 60, 60)  # s between attempts at most
CONTESTED = 1 << 5  # of the state: another service seems to use the client id
PROMPT = 0.1  # s within which plant software gets its answer, come what may


def test_gateways_that_lost_one_broker_do_not_come_back_in_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each attempt later than the last, up to a minute, and spread (common practice, no source)."""
    waits: list[list[float]] = []

    class Refused:
        was_cut_soon = was_taken_over = False

        def __init__(self, *_: object) -> None: ...

        async def live(self) -> str:
            return "refused"

    async def record(wait: float) -> None:
        waits[-1].append(wait)
        if len(waits[-1]) == len(CEILINGS):
            raise asyncio.CancelledError

    monkeypatch.setattr("aggregator.mqtt.link._Connection", Refused)
    monkeypatch.setattr("aggregator.mqtt.link.asyncio.sleep", record)
    links = 20
    for _ in range(links):
        waits.append([])
        link = BrokerLink(Broker("127.0.0.1", 1883), ["up"], lambda *_: None, lambda _: None)
        with pytest.raises(asyncio.CancelledError):
            asyncio.run(link.run())
    for ceiling, of_all in zip(CEILINGS, zip(*waits, strict=True), strict=True):
        assert all(0.7 * ceiling <= wait <= ceiling for wait in of_all)
        assert len(set(of_all)) == links
        assert max(of_all) - min(of_all) > 0.1 * ceiling


class Polling:
    """Plant software that reads the gateway block again and again, from a thread of its own, and times the answers."""

    def __init__(self, client: Caller) -> None:
        self.client = client
        self.took: list[float] = []
        self.words: tuple[int, ...] = ()
        self._enough = Event()
        self._thread = Thread(target=self._poll, name="polling")

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._enough.set()
        self._thread.join(20)

    def _poll(self) -> None:
        while not self._enough.wait(0.005):
            began = time.perf_counter()
            self.words = self.client.registers(0, 40)
            self.took.append(time.perf_counter() - began)

    def connected(self) -> bool:
        return bool(self.words and self.words[1] & 1)

    def disconnected(self) -> bool:
        return bool(self.words and not self.words[1] & 1)

    def accepted(self) -> int:
        return self.words[17] if self.words else 0

    def was_prompt(self) -> bool:
        """All but the few answers that a busy test machine itself holds up."""
        assert len(self.took) > 5
        late = sum(took > PROMPT for took in self.took)
        return late <= max(1, len(self.took) // 50) and max(self.took) < 1


def test_a_killed_broker_shows_at_once_and_the_link_comes_back_by_itself(
    rig: Callable[..., Rig], caller: Callable[[int], Caller], uplink: Callable[..., bytes], until: Callable[..., Any]
) -> None:
    road = rig(*PERSISTENT, keepalive=KEEPALIVE)
    with Polling(caller(road.service.port)) as polling:
        road.publisher.send(uplink(1, flow=12.5))
        until(lambda: road.accepted() == 1)
        road.broker.kill()
        until(polling.disconnected, 5, "the broker's absence in the registers")
        until(lambda: len(road.service.log("no broker")) >= 2, 10, "a second attempt")
        assert road.client.registers(102, 2) == (0x4148, 0)  # the value stands all the while
        road.broker.start()
        until(polling.connected, 20, "the link")
        until(lambda: road.broker.subscriptions() == 2)
        road.publisher.client.reconnect()
        road.publisher.send(uplink(2))
        until(lambda: road.accepted() == 2)
    waits = [line["again_in"] for line in road.service.log("no broker")]
    assert waits[:2] == ["1 s", "2 s"]
    assert polling.was_prompt()


def test_a_frozen_broker_is_noticed_within_two_and_a_half_keepalives(
    rig: Callable[..., Rig], caller: Callable[[int], Caller], until: Callable[..., Any]
) -> None:
    road = rig(keepalive=KEEPALIVE)
    with Polling(caller(road.service.port)) as polling:
        until(polling.connected)
        road.broker.signal(signal.SIGSTOP)
        frozen = time.monotonic()
        until(polling.disconnected, 6 * KEEPALIVE, "the frozen broker in the registers")
        took = time.monotonic() - frozen
        road.broker.signal(signal.SIGCONT)
        assert took <= 2.5 * KEEPALIVE + 1  # the library is asked once a second
        until(polling.connected, 20, "the link")
    assert polling.was_prompt()


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_two_services_with_one_client_id_say_so_and_do_not_fight(
    version: str,
    rig: Callable[..., Rig],
    caller: Callable[[int], Caller],
    site: Callable[..., Path],
    service: Callable[..., Service],
    until: Callable[..., Any],
) -> None:
    road = rig(version=version)
    extra = f'  version: "{version}"'
    rival = service(site(road.broker.port, extra=extra, name="rival"))
    both = (road.service, rival)
    until(lambda: sum(len(each.log("no broker")) for each in both) >= 4, 25, "the third take-over")
    lost = sorted(line["timestamp"] for each in both for line in each.log("no broker"))
    reasons = [line["reason"] for each in both for line in each.log("no broker")]
    assert all("does another service use the client id alder-fen-test?" in reason for reason in reasons)
    for each in both:
        waits = [float(line["again_in"].split()[0]) for line in each.log("no broker")]
        assert waits == sorted(waits)
        assert waits[:2] == [1.0, 2.0][: len(waits)]
    assert len(lost) < 8
    clients = (road.client, caller(rival.port))
    until(lambda: all(each.figure("state") & CONTESTED for each in clients), 25, "bit 5 of both states")
    for each in both:
        until(lambda: each.log("client id contested"), what="a line in the log")  # noqa: B023 - called at once
        assert each.log("client id contested")[0]["client"] == "alder-fen-test"


def test_a_broker_that_goes_away_is_no_other_service_with_the_client_id(
    rig: Callable[..., Rig], until: Callable[..., Any]
) -> None:
    road = rig(*PERSISTENT, keepalive=KEEPALIVE)
    for _ in range(2):
        until(lambda: road.client.figure("state") & 1, 20, "the link")
        road.broker.kill()
        until(lambda: not road.client.figure("state") & 1, 5, "its end")
        road.broker.start()
    until(lambda: road.client.figure("state") & 1, 20, "the link")
    assert not road.client.figure("state") & CONTESTED


def poison(uplink: Callable[..., bytes]) -> list[bytes]:
    """What no uplink may be; RFC 8259 has neither NaN nor Infinity, and every other one is wrong for this site."""
    counters = itertools.count(1)  # one each: an uplink that was heard before is not looked into again

    def good() -> bytes:
        return uplink(next(counters), meter=1, flow=1)

    def like(**changed: object) -> bytes:
        return json.dumps({**json.loads(good()), **changed}).encode()

    def framed(**changed: object) -> bytes:
        return like(decoded=None, frame={"counter": next(counters), "port": 2, **changed})

    def decoded(text: bytes) -> bytes:
        return good().replace(b'{"flow": 1}', b'{"flow": ' + text + b"}")

    return [
        b"",
        b"\xff\xfe\x00",
        b"not JSON at all",
        b"[" * 100_000,
        b'{"a":' * 50_000,
        b" " * 5_000_000,
        good() + b"x" * 5_000_000,
        decoded(b"NaN"),
        decoded(b"-Infinity"),
        decoded(b"1e999"),
        decoded(b"1" * 400),
        decoded(b"1" * 5000),
        decoded(b"true"),
        decoded(b'"12.5"'),
        decoded(b'"' + b"y" * 200_000 + b'"'),
        decoded(b"[1]"),
        decoded(b'1, "flow": 2'),
        like(device={"eui": "x" * 100_000}),
        like(device={"eui": 7}),
        like(device=None),
        like(device={"eui": "0a1def00000001ff"}),
        like(decoded=[]),
        like(decoded={"other": 1}),
        framed(data="*** no base64 ***"),
        framed(data=base64.b64encode(b"123").decode()),
        framed(data=base64.b64encode(b"123456").decode(), port=99),
        framed(data=7),
        framed(counter=-1),
        framed(counter=1.5),
        framed(counter=True),
        framed(counter=1 << 32),
        framed(port=None),
        like(received_at="yesterday"),
        like(received_at=[]),
        like(received_at=1e300),
    ]


def test_poison_among_the_uplinks_hurts_none_of_them(
    rig: Callable[..., Rig], caller: Callable[[int], Caller], uplink: Callable[..., bytes], until: Callable[..., Any]
) -> None:
    road = rig(meters=2)
    bad = poison(uplink)
    counter = 0
    with Polling(caller(road.service.port)) as polling:
        for each in bad:
            road.publisher.send(*(uplink(counter + at, flow=1.5, volume=1) for at in range(99)))
            counter += 99
            road.publisher.send(each)
        road.publisher.send(uplink(counter, flow=12.5, volume=1))
        until(lambda: road.accepted() == counter + 1, 30, "all of the good ones")
    assert road.client.figure("uplinks_rejected") == len(bad)
    assert road.client.registers(102, 2) == (0x4148, 0)
    assert road.client.registers(100, 1) == (1,)
    assert road.connected()
    assert not road.service.log("no broker")
    refused = road.service.log("uplink refused")
    assert len(refused) < len(bad)  # one line a kind, the rest counted
    assert max(map(len, road.service.log_file.read_text().splitlines())) < 1000
    assert polling.was_prompt()


def test_the_same_trouble_is_written_once_and_then_counted(rig: Callable[..., Rig], until: Callable[..., Any]) -> None:
    road = rig()
    road.publisher.send(*([b"not JSON at all"] * 300))
    until(lambda: road.client.figure("uplinks_rejected") == 300)
    assert len(road.service.log("uplink refused")) == 1


def test_a_radio_command_without_data_is_a_sign_of_life_and_no_poison(
    rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any]
) -> None:
    """Port 0 carries radio commands only (LoRaWAN TS001 section 4.3.2, from memory)."""
    road = rig()
    empty = {**json.loads(uplink(1)), "decoded": None, "frame": {"counter": 1, "port": 0, "data": "AAAA"}}
    road.publisher.send(json.dumps(empty).encode())
    until(lambda: road.accepted() == 1)
    assert road.client.figure("uplinks_rejected") == 0


def test_a_backlog_of_thousands_is_taken_while_plant_software_gets_its_answers(
    rig: Callable[..., Rig], caller: Callable[[int], Caller], uplink: Callable[..., bytes], until: Callable[..., Any]
) -> None:
    road = rig("allow_anonymous true", meters=2)
    road.service.stop()
    backlog = 5000
    road.publisher.send(*(uplink(number, meter=number % 2, flow=number % 100) for number in range(backlog)))
    road.again()
    with Polling(caller(road.service.port)) as polling:
        until(lambda: polling.accepted() == backlog, 60, "the backlog")
    assert polling.was_prompt()
    words = road.client.registers(100, 32)
    assert struct.pack(">4H", *words[2:4], *words[18:20]) == struct.pack(">ff", 98, 99)


async def trouble_with(host: str, port: int, within: float = 30.0) -> str:
    """Why a link to a broker does not come about, in the link's own words."""
    link = BrokerLink(Broker(host, port, "5", "alder-fen-desk"), ["lns/#"], lambda *_: None, lambda _: None)
    trying = asyncio.create_task(link.run())
    async with asyncio.timeout(within):
        while link.trouble is None:  # noqa: ASYNC110 - it tells nobody
            await asyncio.sleep(0.02)
    trying.cancel()
    return link.trouble


async def test_a_name_that_nobody_knows_is_told_apart_from_a_port_that_nobody_serves(port: int) -> None:
    assert await trouble_with("no-such-host.invalid", port) == "the broker's name is not known here"  # RFC 6761 6.4
    assert await trouble_with("127.0.0.1", port) == "the broker cannot be reached: Connection refused"


async def test_a_broker_that_takes_the_connection_and_says_nothing_is_given_up(port: int) -> None:
    async def say_nothing(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read()
        writer.close()

    async with await asyncio.start_server(say_nothing, "127.0.0.1", port):
        assert await trouble_with("127.0.0.1", port) == f"the broker did not answer within {ANSWER_WITHIN:.0f} s"
