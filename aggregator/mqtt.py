"""The broker link: MQTT 3.1.1 or 5, one client object a connection, run on the service's own event loop.

The library's callbacks run inside the loop, one message at a time, so there is no queue between broker and site that
could overflow, and no reader task whose cancelling could lose a message. A message is acknowledged by hand, when its
taker says that it is safe: what is not when the service dies, the broker sends again.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import math
import random
import socket
import ssl
import struct
import termios
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Self

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from aggregator.core.errors import AggregatorError

SOONEST = 1.0  # s before the first new attempt
LATEST = 60.0  # s between attempts at most
# s after which a connection counts as good and the waiting begins anew. Longer than two services with one client id
# wait for each other at last, so that they never begin to fight anew.
STEADY = 2 * LATEST
ANSWER_WITHIN = 10.0  # s for the broker to accept or refuse a connection
AT_ONCE = 1000  # QoS 1 messages that the broker may send ahead of our acknowledgements (MQTT 5 Receive Maximum)
LOGIN_REFUSED = ("Not authorized", "Bad user name or password")
MOST_LAST_WRITES = 2 * AT_ONCE
WINDOW = 100  # messages that may be published ahead of their acknowledgements
ACKNOWLEDGED_WITHIN = 60.0  # s for the broker to acknowledge a message; a lost link comes back meanwhile
READS_PER_TURN = 16  # packets taken before other work gets its turn
UNSPECIFIED = ReasonCode(PacketTypes.DISCONNECT, "Unspecified error")  # also what the library makes of a lost link
TAKEN_OVER = ReasonCode(PacketTypes.DISCONNECT, "Session taken over")

log = structlog.get_logger("broker")


class TlsProblem(AggregatorError):
    """The TLS files cannot be used; the message names the file."""


@dataclass(frozen=True, slots=True)
class Broker:
    """How to reach the broker. Times in seconds; the password never prints.

    `keeps` is how long the broker keeps the session after a connection has ended: 0 for a session of one connection.
    """

    host: str
    port: int
    version: str = "5"
    client: str = "aggregator"
    user: str | None = None
    password: Secret | None = None
    tls: Tls | None = None
    keepalive: float = 15.0
    keeps: float = 604800.0


@dataclass(frozen=True, slots=True)
class Tls:
    """PEM files for TLS; None for the system's authorities and no client certificate."""

    ca: str | None = None
    certificate: str | None = None
    key: str | None = None

    def context(self) -> ssl.SSLContext:
        """A context that checks the broker's certificate and name. Raises TlsProblem."""
        try:
            context = ssl.create_default_context(cafile=self.ca)
            if self.certificate:
                context.load_cert_chain(self.certificate, self.key)
        except (OSError, ssl.SSLError) as error:
            files = ", ".join(file for file in (self.ca, self.certificate, self.key) if file)
            raise TlsProblem(
                f"the TLS files of the broker cannot be used ({files}): {error}. Check `tls:` in site.yaml."
            ) from error
        return context


class Secret(str):
    """A text that does not print."""

    __slots__ = ()

    def __repr__(self) -> str:
        return "Secret(***)"


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
            if loop.time() - began >= STEADY:
                wait = SOONEST
            log.warning("no broker", broker=self._name, reason=reason, again_in=f"{wait:.0f} s")
            await asyncio.sleep(wait * random.uniform(0.7, 1.0))  # noqa: S311 - spreads attempts, keeps no secret
            wait = min(LATEST, 2 * wait)

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
        self._client = self._new_client(context)
        self._socket: Any = None  # the library's socket while there is one

    def _new_client(self, context: ssl.SSLContext | None) -> mqtt.Client:
        client = _client_of(self._broker, context)
        client.manual_ack_set(True)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_socket_open = self._on_socket_open
        client.on_socket_close = self._on_socket_close
        client.on_socket_register_write = self._on_write_wanted
        client.on_socket_unregister_write = self._on_write_done
        return client

    async def live(self) -> str:
        """Connect and serve until the connection ends. Returns why it ended."""
        try:
            await _in_a_thread(self._connect)
        except (OSError, UnicodeError) as error:
            return _why_not(error)
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
        _connect(self._client, self._broker)

    async def _housekeeping(self) -> None:
        """Pings, and the end of a link whose pings stay unanswered."""
        while self._client.loop_misc() == mqtt.MQTT_ERR_SUCCESS:  # noqa: ASYNC110 - the library has to be asked
            await asyncio.sleep(1)

    def _close(self) -> None:
        """Leave without a word where the link is dead, politely where it is not; the session stays at the broker."""
        self._client.on_disconnect = None
        self._client.disconnect()
        for _ in range(MOST_LAST_WRITES):  # acknowledgements that wait to be sent, as far as the socket takes them
            if not self._client.want_write() or self._client.loop_write() != mqtt.MQTT_ERR_SUCCESS:
                break
        self._forget_socket()

    # The library's callbacks. Those of the socket come from the connecting thread first, from the loop later.

    def _on_socket_open(self, _client: mqtt.Client, _data: object, sock: Any) -> None:
        self._loop.call_soon_threadsafe(self._watch, sock)

    def _watch(self, sock: Any) -> None:
        self._socket = sock
        self._loop.add_reader(sock.fileno(), self._on_readable)

    def _on_socket_close(self, _client: mqtt.Client, _data: object, _sock: Any) -> None:
        self._forget_socket()

    def _forget_socket(self) -> None:
        if self._socket is not None and self._socket.fileno() >= 0:
            self._loop.remove_reader(self._socket.fileno())
            self._loop.remove_writer(self._socket.fileno())
        self._socket = None

    def _on_write_wanted(self, _client: mqtt.Client, _data: object, sock: Any) -> None:
        self._loop.call_soon_threadsafe(self._want_write, sock)

    def _want_write(self, sock: Any) -> None:
        # An acknowledgement may come when the connection has ended, and another socket may have its number by then.
        if sock is self._socket and sock.fileno() >= 0:
            self._loop.add_writer(sock.fileno(), self._client.loop_write)

    def _on_write_done(self, _client: mqtt.Client, _data: object, sock: Any) -> None:
        self._loop.call_soon_threadsafe(self._no_write, sock)

    def _no_write(self, sock: Any) -> None:
        if sock is self._socket and sock.fileno() >= 0:
            self._loop.remove_writer(sock.fileno())

    def _on_readable(self) -> None:
        for _ in range(READS_PER_TURN):
            self._client.loop_read()
            if not self._has_more():
                return
        self._loop.call_soon(self._on_readable)

    def _has_more(self) -> bool:
        """Whether another packet, or part of one, is there already. Asking is cheaper than a turn of the loop."""
        sock = self._socket
        if sock is None or sock.fileno() < 0:
            return False
        if isinstance(sock, ssl.SSLSocket) and sock.pending():
            return True  # what TLS has already unwrapped does not make the socket readable again
        waiting: int = struct.unpack("i", fcntl.ioctl(sock, termios.FIONREAD, bytes(4)))[0]
        return waiting > 0

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
        soon = code == UNSPECIFIED and self._loop.time() - self._accepted_at < STEADY
        hint = f"; if this goes on, does another service use the client id {self._broker.client}?"
        self._end(said + (hint if soon or code == TAKEN_OVER else ""))

    def _on_message(self, client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        acknowledge = partial(client.ack, message.mid, message.qos)
        try:
            self._take(message.topic, bytes(message.payload), message.retain, acknowledge)
        except Exception:
            # Whatever it was, leaving the message unacknowledged would bring it back and block all others.
            log.exception("uplink not taken, a defect of this program", topic=message.topic)
            acknowledge()

    def _end(self, reason: str) -> None:
        if not self._ended.done():
            self._ended.set_result(reason)


class NotPublished(AggregatorError):
    """The broker did not take a message; the message says why."""


class Publisher:
    """Publishes with QoS 1 and waits for the broker's word. Its calls block; it is a context manager."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self._client = _client_of(broker, broker.tls.context() if broker.tls else None)
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish
        self._answered = threading.Event()
        self._refused: str | None = None
        self._waiting: deque[mqtt.MQTTMessageInfo] = deque()

    def __enter__(self) -> Self:
        """Connect. Raises NotPublished."""
        try:
            _connect(self._client, self._broker)
        except (OSError, UnicodeError) as error:
            raise NotPublished(f"nothing was published: {_why_not(error)}.") from error
        self._client.loop_start()
        if not self._answered.wait(ANSWER_WITHIN) or self._refused:
            self._leave()
            raise NotPublished(f"nothing was published: {self._refused or 'the broker does not answer'}.")
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            while self._waiting and kind is None:
                self._await_first()
        finally:
            self._leave()

    def publish(self, topic: str, message: bytes) -> None:
        """Send a message; returns while no more than a window of them is unacknowledged. Raises NotPublished."""
        self._waiting.append(self._client.publish(topic, message, qos=1))
        while len(self._waiting) >= WINDOW:
            self._await_first()

    def _await_first(self) -> None:
        first = self._waiting.popleft()
        first.wait_for_publish(ACKNOWLEDGED_WITHIN)
        if self._refused:
            raise NotPublished(f"{self._refused}. Not everything was published.")
        if not first.is_published():
            raise NotPublished("the broker no longer acknowledges. Not everything was published.")

    def _leave(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(
        self, _client: mqtt.Client, _data: object, _flags: object, code: ReasonCode, _properties: object
    ) -> None:
        if code.is_failure:
            self._refused = f"the broker refuses the connection: {code}"
        self._answered.set()

    def _on_publish(
        self, _client: mqtt.Client, _data: object, _mid: int, code: ReasonCode, _properties: object
    ) -> None:
        if code.is_failure:  # MQTT 3.1.1 has no word for it, and the message is gone
            self._refused = f"the broker refuses a message of {self._broker.user or 'an unnamed user'}: {code}"


def _client_of(broker: Broker, context: ssl.SSLContext | None) -> mqtt.Client:
    is_5 = broker.version == "5"
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=broker.client,
        clean_session=None if is_5 else not broker.keeps,
        protocol=mqtt.MQTTv5 if is_5 else mqtt.MQTTv311,
    )
    client.username_pw_set(broker.user, broker.password)
    if context:
        client.tls_set_context(context)
    return client


def _connect(client: mqtt.Client, broker: Broker) -> None:
    """Open the connection. Blocks; raises OSError and UnicodeError."""
    client.connect_timeout = ANSWER_WITHIN
    if broker.version != "5":
        client.connect(broker.host, broker.port, int(broker.keepalive))
        return
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = int(broker.keeps)
    properties.ReceiveMaximum = AT_ONCE
    client.connect(broker.host, broker.port, int(broker.keepalive), clean_start=not broker.keeps, properties=properties)


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


def _why_not(error: OSError | UnicodeError) -> str:
    if isinstance(error, socket.gaierror | UnicodeError):  # a name with an empty or overlong part is no name at all
        return "the broker's name is not known here"
    if isinstance(error, TimeoutError):
        return "the broker does not answer"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the broker's certificate is not accepted: {error.verify_message}"
    if isinstance(error, ssl.SSLError):
        return f"TLS with the broker fails: {error.reason}"
    return f"the broker cannot be reached: {error.strerror or error}"
