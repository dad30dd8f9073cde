"""Publishing: messages out of this machine, each waited for until the broker has it."""

from __future__ import annotations

import threading
from collections import deque
from typing import Self

import paho.mqtt.client as mqtt
from paho.mqtt.reasoncodes import ReasonCode

from aggregator.core.errors import AggregatorError
from aggregator.mqtt.broker import ANSWER_WITHIN, Broker, connect, new_client, why_not

WINDOW = 100  # messages that may be published ahead of their acknowledgements
ACKNOWLEDGED_WITHIN = 60.0  # s for the broker to acknowledge a message; a lost link comes back meanwhile


class NotPublished(AggregatorError):
    """The broker did not take a message; the message says why."""


class Publisher:
    """Publishes with QoS 1 and waits for the broker's word. Its calls block; it is a context manager."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self._client = new_client(mqtt.Client, broker, broker.tls.context() if broker.tls else None)
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish
        self._answered = threading.Event()
        self._refused: str | None = None
        self._waiting: deque[mqtt.MQTTMessageInfo] = deque()

    def __enter__(self) -> Self:
        """Connect. Raises NotPublished."""
        try:
            connect(self._client, self._broker)
        except (OSError, UnicodeError) as error:
            raise NotPublished(f"nothing was published: {why_not(error)}.") from error
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
