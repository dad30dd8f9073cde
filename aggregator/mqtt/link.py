"""The broker link: MQTT 3.1.1 or 5, one client object a connection, run on the service's own event loop.

All of it runs inside the loop, one message at a time, so there is no queue between broker and site that
could overflow, and no reader task whose cancelling could lose a message. A message is acknowledged by hand, when its
taker says that it is safe: what is not when the service dies, the broker sends again.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import random
import ssl
import threading
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from aggregator.mqtt.broker import ANSWER_WITHIN, Broker, connect, new_client, why_not
from aggregator.mqtt.message import Malformed, Message
from aggregator.mqtt.stream import Stream, StreamingClient

SOONEST = 1.0  # s before the first new attempt
LATEST = 60.0  # s between attempts at most
# s after which a connection counts as good and the waiting begins anew. Longer than two services with one client id
# wait for each other at last, so that they never begin to fight anew.
STEADY = 2 * LATEST
CUT_SOON = (
    3  # connections in a row that were cut soon, for which another service with the client id is the likely cause
)
LOGIN_REFUSED = ("Not authorized", "Bad user name or password")
PACKETS_PER_TURN = 16  # packets taken before other work gets its turn
UNSPECIFIED = ReasonCode(PacketTypes.DISCONNECT, "Unspecified error")  # also what the library makes of a lost link
TAKEN_OVER = ReasonCode(PacketTypes.DISCONNECT, "Session taken over")

log = structlog.get_logger("broker")


Take = Callable[[str, bytes, bool, Callable[[], object]], None]
"""Takes one message: topic, payload, whether the broker had retained it, and what to call once it is safe.

What it raises is a defect, and logged.
"""


class BrokerLink:
    """Keeps a subscription alive for as long as the service runs. Raises TlsProblem for TLS files that are no use."""

    def __init__(self, broker: Broker, topics: Sequence[str], take: Take, on_state: Callable[[bool], None]) -> None:
        self.broker = broker
        self.topics = topics
        self.trouble: str | None = None  # why the last connection ended
        self._context = broker.tls.context() if broker.tls else None  # now, so that wrong files end the start
        self._cut_soon = 0  # connections in a row that were cut soon after the broker had accepted them
        self._contested_at = -math.inf  # loop time at which another service was last found to use the client id
        self._take = take
        self._on_state = on_state

    async def run(self) -> None:
        """Connect, and connect again, for ever. Never returns; cancel it to stop."""
        wait = SOONEST
        loop = asyncio.get_running_loop()
        while True:
            began = loop.time()
            connection = _Connection(self.broker, self.topics, self._take, self._on_state, self._context)
            reason = self.trouble = await connection.live()
            self._on_state(False)
            self._cut_soon = self._cut_soon + 1 if connection.was_cut_soon else 0
            if connection.was_taken_over or self._cut_soon >= CUT_SOON:
                self._contested_at = loop.time()
            if loop.time() - began >= STEADY:
                wait = SOONEST
            log.warning("no broker", broker=self._name, reason=reason, again_in=f"{wait:.0f} s")
            await asyncio.sleep(wait * random.uniform(0.7, 1.0))  # noqa: S311 - spreads attempts, keeps no secret
            wait = min(LATEST, 2 * wait)

    @property
    def is_contested(self) -> bool:
        """Whether another service uses the client id, so that each throws the other out.

        A broker may say so; else it is likely after several connections that were cut soon. It holds for as long as the
        other may yet come back.
        """
        return asyncio.get_running_loop().time() - self._contested_at < 2 * STEADY

    def reload(self) -> None:
        """Go by the TLS files as they now are from the next connection on. Raises TlsProblem, the old ones kept."""
        if self.broker.tls:
            self._context = self.broker.tls.context()

    @property
    def _name(self) -> str:
        return f"{self.broker.host}:{self.broker.port}"


class _Connection:
    """One attempt: a fresh client object, as one that has failed keeps traces of it."""

    def __init__(
        self,
        broker: Broker,
        topics: Sequence[str],
        take: Take,
        on_state: Callable[[bool], None],
        context: ssl.SSLContext | None,
    ) -> None:
        self._broker = broker
        self._topics = topics
        self._take = take
        self._on_state = on_state
        self._loop = asyncio.get_running_loop()
        self._ended: asyncio.Future[str] = self._loop.create_future()
        self._answered: asyncio.Future[str] = self._loop.create_future()
        self._accepted_at = -math.inf  # loop time
        self.was_cut_soon = False  # by the broker, without a word why
        self.was_taken_over = False  # as the broker has said
        self._client = self._new_client(context)
        self._stream: Stream | None = None  # the library's socket while there is one

    def _new_client(self, context: ssl.SSLContext | None) -> mqtt.Client:
        client = new_client(StreamingClient, self._broker, context)
        client.manual_ack_set(True)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_socket_open = self._on_socket_open
        client.on_socket_close = self._on_socket_close
        client.on_socket_register_write = self._on_write_wanted
        return client

    async def live(self) -> str:
        """Connect and serve until the connection ends. Returns why it ended."""
        try:
            await _in_a_thread(self._connect)
        except (OSError, UnicodeError) as error:
            return why_not(error)
        housekeeping = asyncio.create_task(self._housekeeping(), name="broker housekeeping")
        try:
            await asyncio.wait({self._answered, self._ended}, timeout=ANSWER_WITHIN, return_when="FIRST_COMPLETED")
            if not self._answered.done() and not self._ended.done():
                return f"the broker did not answer within {ANSWER_WITHIN:.0f} s"
            return await self._ended
        finally:
            housekeeping.cancel()
            self._close()

    def _connect(self) -> None:
        """Runs in a thread: names, TCP and TLS are all allowed to take their time."""
        connect(self._client, self._broker)

    async def _housekeeping(self) -> None:
        """Pings, and the end of a link whose pings stay unanswered."""
        while self._client.loop_misc() == mqtt.MQTT_ERR_SUCCESS:  # noqa: ASYNC110 - the library has to be asked
            await asyncio.sleep(1)

    def _close(self) -> None:
        """Leave without a word where the link is dead, politely where it is not; the session stays at the broker."""
        self._client.on_disconnect = None
        self._client.disconnect()
        self._client.loop_write()  # acknowledgements that wait to be sent, as far as the socket takes them
        self._forget_stream()

    # The library's callbacks. Those of the socket come from the connecting thread first, from the loop later.

    def _on_socket_open(self, _client: mqtt.Client, _data: object, stream: Any) -> None:
        self._loop.call_soon_threadsafe(self._watch, stream)

    def _watch(self, stream: Stream) -> None:
        self._stream = stream
        self._loop.add_reader(stream.fileno(), self._on_readable)

    def _on_socket_close(self, _client: mqtt.Client, _data: object, _stream: Any) -> None:
        self._forget_stream()

    def _forget_stream(self) -> None:
        if self._stream is not None and self._stream.fileno() >= 0:
            self._loop.remove_reader(self._stream.fileno())
            self._loop.remove_writer(self._stream.fileno())
        self._stream = None

    def _on_write_wanted(self, _client: mqtt.Client, _data: object, stream: Any) -> None:
        self._loop.call_soon_threadsafe(self._write, stream)

    def _write(self, stream: Stream) -> None:
        """Send all that waits at once: the acknowledgements of one commit are one call of the socket."""
        # An acknowledgement may come when the connection has ended, and another socket may have its number by then.
        if stream is not self._stream:
            return
        self._client.loop_write()
        if stream.fileno() < 0:
            return
        if stream.flush():
            self._loop.remove_writer(stream.fileno())
        else:
            self._loop.add_writer(stream.fileno(), self._write, stream)

    def _on_readable(self) -> None:
        try:
            for _ in range(PACKETS_PER_TURN):
                if self._stream is None or not self._read_packet(self._stream):
                    return
        except Malformed as error:
            self._end(f"the broker sends what is no MQTT: {error}")
        else:
            self._loop.call_soon(self._on_readable)

    def _read_packet(self, stream: Stream) -> bool:
        """Take one packet. Returns whether one was there."""
        message = stream.take()
        if message is not None:
            self._on_message(message)
        elif stream.lends:
            self._client.loop_read()
        else:
            return False
        return True

    def _on_connect(
        self, client: mqtt.Client, _data: object, flags: mqtt.ConnectFlags, code: ReasonCode, _properties: object
    ) -> None:
        if code.is_failure:
            cure = "; check `user:` and `password:` in site.yaml" if str(code) in LOGIN_REFUSED else ""
            self._end(f"the broker refuses the connection: {code}{cure}")
            return
        self._answered.set_result("accepted")
        self._accepted_at = self._loop.time()
        self._on_state(True)
        log.info(
            "broker connected",
            broker=f"{self._broker.host}:{self._broker.port}",
            session="resumed" if flags.session_present else "new",
        )
        client.subscribe([(topic, 1) for topic in self._topics])

    def _on_subscribe(
        self, _client: mqtt.Client, _data: object, _mid: int, codes: list[ReasonCode], _properties: object
    ) -> None:
        for topic, code in zip(self._topics, codes, strict=False):
            if code.is_failure:
                log.error("subscription refused", topic=topic, reason=str(code))

    def _on_disconnect(
        self, _client: mqtt.Client, _data: object, _flags: object, code: ReasonCode, _properties: object
    ) -> None:
        # Not every broker says why it throws a client out, not even in MQTT 5; it shows by how soon that happens.
        said = "the broker closed the connection" if code == UNSPECIFIED else f"the connection ended: {code}"
        self.was_cut_soon = code == UNSPECIFIED and self._loop.time() - self._accepted_at < STEADY
        self.was_taken_over = code == TAKEN_OVER
        hint = f"; if this goes on, does another service use the client id {self._broker.client}?"
        self._end(said + (hint if self.was_cut_soon or self.was_taken_over else ""))

    def _on_message(self, message: Message) -> None:
        acknowledge = partial(self._client.ack, message.number, message.qos)
        try:
            self._take(message.topic, message.payload, message.retained, acknowledge)
        except Exception:
            # Whatever it was, leaving the message unacknowledged would bring it back and block all others.
            log.exception("uplink not taken, a defect of this program", topic=message.topic)
            acknowledge()

    def _end(self, reason: str) -> None:
        if not self._ended.done():
            self._ended.set_result(reason)


def _in_a_thread(work: Callable[[], None]) -> asyncio.Future[None]:
    """Run what may block. A thread of the loop's own executor would hold up the end of the service until it is done."""
    loop = asyncio.get_running_loop()
    done: asyncio.Future[None] = loop.create_future()

    def finish(error: Exception | None) -> None:
        if done.done():
            return
        if error is None:
            done.set_result(None)
        else:
            done.set_exception(error)

    def run() -> None:
        error = None
        try:
            work()
        except Exception as raised:  # noqa: BLE001 - raised again where it is awaited
            error = raised
        with contextlib.suppress(RuntimeError):  # the service has ended meanwhile
            loop.call_soon_threadsafe(finish, error)

    threading.Thread(target=run, name="broker connect", daemon=True).start()
    return done
