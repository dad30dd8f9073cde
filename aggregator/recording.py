"""Recordings of what a broker sends: one JSON object a line, for playing it again.

    {"at": "2027-01-15T08:00:00.250Z", "topic": "lns/alder-fen/ft-101/up", "message": "{...}", "retained": false}

`message` is the text, or `{"base64": "..."}` where it is no UTF-8. Messages set aside that were taken out as JSON read
the same way: keys that are not known here are passed over.
"""

from __future__ import annotations

import asyncio
import base64
import json
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple, TextIO

from aggregator.core.errors import AggregatorError
from aggregator.mqtt import Broker, BrokerLink, Publisher
from aggregator.takeout import json_line, message_text, time_text

LONGEST_TOPIC = 65535  # bytes (MQTT 5.0 section 1.5.4)


class WrongRecording(AggregatorError):
    """A file is no recording; the message names the line."""


class CannotRecord(AggregatorError):
    """The broker cannot be listened to, or the file not be written."""


class Recorded(NamedTuple):
    """One message of a broker: when it came (UTC s), and whether the broker had retained it."""

    at: float
    topic: str
    message: bytes
    retained: bool = False


def line_of(recorded: Recorded) -> str:
    """A message as its line of a recording."""
    return json_line(
        {
            "at": time_text(recorded.at),
            "topic": recorded.topic,
            "message": message_text(recorded.message),
            "retained": recorded.retained,
        }
    )


def messages_of(path: Path) -> Iterator[Recorded]:
    """The messages of a recording, in order. Raises WrongRecording, where its line is reached, and OSError."""
    with path.open("rb") as file:
        for number, line in enumerate(file, 1):
            if not line.strip():
                continue
            try:
                yield _recorded(json.loads(line))
            except (ValueError, TypeError, KeyError, RecursionError) as error:
                what = f"no `{error.args[0]}`" if isinstance(error, KeyError) else str(error)
                raise WrongRecording(
                    f"{path}:{number}: this is no recorded message: {what}. Remove the line."
                ) from error


def _recorded(row: object) -> Recorded:
    if not isinstance(row, dict):
        raise TypeError("not a JSON object")
    topic, message, retained = row["topic"], row["message"], row.get("retained", False)
    if not isinstance(topic, str) or not topic or len(topic.encode()) > LONGEST_TOPIC or set(topic) & set("+#\0"):
        raise ValueError(f"{topic!r} is no topic of a message")
    if isinstance(message, dict):
        data = base64.b64decode(message["base64"], validate=True)
    elif isinstance(message, str):
        data = message.encode()
    else:
        raise TypeError("`message` is neither text nor base64")
    if not isinstance(retained, bool):
        raise TypeError("`retained` is neither true nor false")
    at = datetime.fromisoformat(row["at"])
    return Recorded((at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp(), topic, data, retained)


async def record(
    broker: Broker,
    topics: Sequence[str],
    out: TextIO,
    ended: asyncio.Event,
    *,
    most: int | None = None,
    lasts: float | None = None,
    listening: Callable[[], object] | None = None,
) -> int:
    """Write every message of some topics into a file, until `most` messages, `lasts` (s) or `ended`.

    `broker.client` must be an id of its own. `listening` is called when the broker lets the recorder in. Returns how
    many messages were written. Raises CannotRecord.
    """
    recorder = _Recorder(out, ended, most, listening)
    link = BrokerLink(broker, topics, recorder.take, recorder.state)
    task = asyncio.create_task(link.run(), name="recorder")
    try:
        async with asyncio.timeout(lasts):
            await ended.wait()
    except TimeoutError:
        pass
    finally:
        task.cancel()
        await asyncio.wait({task})
    if recorder.failure is not None:
        raise CannotRecord(f"cannot write the recording: {recorder.failure.strerror}. Make room, or name another file.")
    if not recorder.was_let_in:
        raise CannotRecord(f"nothing was recorded: {link.trouble or 'the broker did not answer in time'}.")
    return recorder.count


class _Recorder:
    """Takes what the broker sends."""

    def __init__(
        self, out: TextIO, ended: asyncio.Event, most: int | None, listening: Callable[[], object] | None
    ) -> None:
        self.count = 0
        self.failure: OSError | None = None
        self.was_let_in = False
        self.ended = ended
        self._out = out
        self._most = most
        self._listening = listening

    def state(self, connected: bool) -> None:
        """The link stands or has gone. A broker that was there once is waited for, one that never was is not."""
        if not connected:
            if not self.was_let_in:
                self.ended.set()
        elif not self.was_let_in:
            self.was_let_in = True
            if self._listening:
                self._listening()

    def take(self, topic: str, message: bytes, retained: bool, acknowledge: Callable[[], object]) -> None:
        if not self.ended.is_set():
            self._write(Recorded(time.time(), topic, message, retained))
        acknowledge()

    def _write(self, recorded: Recorded) -> None:
        try:
            self._out.write(line_of(recorded))
            self._out.flush()
        except OSError as error:
            self.failure = error
            self.ended.set()
            return
        self.count += 1
        if self.count == self._most:
            self.ended.set()


class Published(NamedTuple):
    """How many messages were published, and how many left out because the broker had retained them."""

    messages: int
    left_out: int


def publish(broker: Broker, messages: Iterable[Recorded], *, speed: float | None = None) -> Published:
    """Publish messages, as they are, with QoS 1: at their recorded pace times `speed`, or as fast as is acknowledged.

    What the recorder got as retained is left out: it was of any age then, and published anew it would pass for fresh.
    Blocks. Raises NotPublished, and what `messages` raises.
    """
    count = left_out = 0
    first: float | None = None
    began = time.monotonic()
    with Publisher(broker) as publisher:
        for each in messages:
            if each.retained:
                left_out += 1
                continue
            first = each.at if first is None else first
            if speed is not None:
                time.sleep(max(0.0, (each.at - first) / speed - (time.monotonic() - began)))
            publisher.publish(each.topic, each.message)
            count += 1
    return Published(count, left_out)
