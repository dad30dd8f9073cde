"""Radio nodes: when they report, what they say, and how the network hands it on.

    equipment -> values -> payload or decoded fields -> frame (counter, port, radio) -> message of the envelope

A node with several payloads sends them all at each report, one frame after the other.
"""

from __future__ import annotations

import base64
import json
import math
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from random import Random

from aggregator.core.meter import Meter
from aggregator.core.profile import Binary, Profile, Response
from aggregator.core.records import Records
from aggregator.core.uplink import Envelope, PayloadText, Radio
from aggregator.demo.equipment import GAS, Equipment, Span
from aggregator.demo.payloads import encode, encode_records

FIRST_WITHIN = 30.0  # s of site life in which every node has begun to report
JITTER = 0.03  # of the interval, to either side
NEXT_FRAME = 2.0  # s between the frames of one report
SECOND_RADIO = 0.4  # s by which the slower of two radios is later
BEYOND = 0.2  # of the span: how far an over-range value is outside
REPEATS = 4  # readings in each uplink of a node that keeps some
LOST, DOUBLED = 0.004, 0.02  # of all frames, on a link as good as most
HIGHEST_PORT = 223

Utc = Callable[[float], float]
"""UTC (s since 1970) at seconds since the simulation began."""


@dataclass(frozen=True, slots=True)
class Traits:
    """What is wrong with a node or its meter, for a demonstration. Times in seconds since the simulation began.

    `loses_every` and `doubles_every` count frames; 0 is never. `over_range` is from when until when.
    """

    silent_from: float = math.inf
    over_range: tuple[float, float] = (math.inf, math.inf)
    loses_every: int = 0
    doubles_every: int = 0


SOUND = Traits()


@dataclass(frozen=True, slots=True)
class Frame:
    """One uplink as a radio heard it: raw bytes, or decoded fields by their JSON Pointers. Times are UTC seconds."""

    node: str
    counter: int
    port: int
    observed: float
    received: float
    radio: Radio
    payload: bytes | None = None
    decoded: Mapping[str, float] | None = None

    @property
    def session(self) -> str:
        """What the network calls the node: it joins once, before the simulation begins."""
        return self.node[-8:]


@dataclass(frozen=True, slots=True)
class Message:
    """One message for the broker. `at` is in seconds since the simulation began."""

    at: float
    tag: str
    topic: str
    text: bytes


class Node:
    """The radio node on one meter."""

    def __init__(self, meter: Meter, envelope: Envelope, utc: Utc, seed: str, traits: Traits = SOUND) -> None:
        assert meter.node is not None
        self.meter = meter
        self.node = meter.node
        self.envelope = envelope
        self.traits = traits
        self.equipment = Equipment(meter.profile, f"{seed} equipment")
        self._utc = utc
        self._random = Random(f"{seed} radio")  # noqa: S311 - a simulation, nothing secret
        self._counter = self._random.randrange(5000)
        self._frames = 0
        self._signal = self._random.uniform(-115, -70)  # dBm, mean of this link
        self._over_range = over_range_field(meter.profile)
        self._ports = ports_of(meter.profile) if sends_raw(meter.profile, envelope) else ()
        self._kept: deque[tuple[float, list[float]]] = deque(maxlen=REPEATS)  # UTC s, and the values
        self.next_report = self._random.uniform(0, FIRST_WITHIN)

    def report(self) -> list[Message]:
        """What the network makes of the report that is due, by time. Sets `next_report`, infinite once silent."""
        now = self.next_report
        if now >= self.traits.silent_from:
            self.next_report = math.inf
            return []
        self.next_report += self.meter.reports_every * (1 + self._random.uniform(-JITTER, JITTER))
        values = self._values(now)
        messages: list[Message] = []
        for at, frame in self._measured(now, values):
            messages += self._heard(at, frame)
        return messages

    def _values(self, now: float) -> list[float]:
        values = self.equipment.read(now)
        begin, end = self.traits.over_range
        if self._over_range is not None and begin <= now < end:
            span = Span.of(self.meter.profile.fields[self._over_range])
            values[self._over_range] = span.at(1 + BEYOND)
        return values

    def _measured(self, now: float, values: list[float]) -> Iterable[tuple[float, Frame]]:
        """The frames of one report and when each is on the air."""
        frame = Frame(self.node, 0, 1, self._utc(now), 0.0, Radio())
        if not self._ports:
            yield now, replace(frame, decoded=decoded_fields(self.meter.profile, values))
        self._kept.append((self._utc(now), values))
        for at, (port, payload) in enumerate(self._ports):
            on_air = now + at * NEXT_FRAME
            sent = (
                encode_records(payload, self._kept, self._utc(on_air))
                if isinstance(payload, Records)
                else encode(payload, values)
            )
            yield on_air, replace(frame, port=port, payload=sent)

    def _heard(self, at: float, frame: Frame) -> list[Message]:
        """A frame as no radio, one or two of them heard it."""
        self._counter += 1
        self._frames += 1
        lost, doubled = self._random.random() < LOST, self._random.random() < DOUBLED
        if lost or _each(self.traits.loses_every, self._frames):
            return []
        frame = replace(frame, counter=self._counter)
        messages = [self._message(at, frame)]
        if doubled or _each(self.traits.doubles_every, self._frames):
            messages.append(self._message(at + SECOND_RADIO, frame))
        return messages

    def _message(self, at: float, frame: Frame) -> Message:
        rssi = self._signal + self._random.gauss(0, 3)
        radio = Radio(round(rssi), round(min(12.0, (rssi + 110) / 3), 1), 7 + sum(rssi < each for each in (-105, -112)))
        heard = replace(frame, received=self._utc(at), radio=radio)
        return Message(at, self.meter.tag, topic_of(self.envelope, frame.node), message_of(self.envelope, heard))


def _each(count: int, frames: int) -> bool:
    return bool(count) and frames % count == 0


def sends_raw(profile: Profile, envelope: Envelope) -> bool:
    """Whether an envelope hands on a raw payload of this profile so that it can be decoded."""
    return envelope.payload is not None and (
        None in {**profile.payloads, **profile.records}
        or (bool(profile.payloads or profile.records) and envelope.port is not None)
    )


def sends_decoded(profile: Profile, envelope: Envelope) -> bool:
    """Whether an envelope hands on decoded fields of this profile."""
    return envelope.fields is not None and bool(profile.decoded)


def ports_of(profile: Profile) -> tuple[tuple[int, Binary | Response | Records], ...]:
    """A profile's payloads, each with the port it is sent on."""
    payloads: dict[int | None, Binary | Response | Records] = {**profile.payloads, **profile.records}
    free = next((port for port in range(1, HIGHEST_PORT + 1) if port not in payloads), 1)
    return tuple((free if port is None else port, payload) for port, payload in payloads.items())


def over_range_field(profile: Profile) -> int | None:
    """The field that can go over range: one of gas that the meter measures up to a limit; None where there is none."""
    bounded = (
        index for index, field in enumerate(profile.fields) if GAS.search(field.unit) and math.isfinite(field.high)
    )
    return next(bounded, None)


def decoded_fields(profile: Profile, values: list[float]) -> dict[str, float]:
    """What a network server's decoder would make of the values: pointer into the decoded object to number."""
    return {item.pointer.text: round(item.scale.raw(values[item.index]), 6) for item in profile.decoded}


def topic_of(envelope: Envelope, node: str) -> str:
    """A topic under the envelope's filter: the node stands in for each wildcard."""
    return "/".join(node if level in ("+", "#") else level for level in envelope.topic.split("/"))


def message_of(envelope: Envelope, frame: Frame) -> bytes:
    """The JSON message in which a network hands a frame on."""
    inside = "" if envelope.radios is None else f"{envelope.radios}/0"
    places = (
        (envelope.node, frame.node),
        (envelope.counter, frame.counter % (1 << envelope.counter_bits)),
        (envelope.session, frame.session),
        (envelope.port, frame.port),
        (envelope.observed, rfc3339(frame.observed)),
        (envelope.received, rfc3339(frame.received)),
        (envelope.spreading_factor, frame.radio.spreading_factor),
    )
    radio = ((envelope.rssi, frame.radio.rssi), (envelope.snr, frame.radio.snr))
    values: dict[str, object] = {pointer.text: value for pointer, value in places if pointer is not None}
    values |= {inside + pointer.text: value for pointer, value in radio if pointer is not None}
    if frame.payload is not None and envelope.payload is not None:
        is_hex = envelope.payload_text is PayloadText.HEX
        values[envelope.payload.text] = frame.payload.hex() if is_hex else base64.b64encode(frame.payload).decode()
    if frame.decoded is not None and envelope.fields is not None:
        values |= {envelope.fields.text + pointer: value for pointer, value in frame.decoded.items()}
    return json.dumps(document(values), separators=(",", ":")).encode()


def document(values: Mapping[str, object]) -> object:
    """The JSON document that has each value at its JSON Pointer (RFC 6901); steps that are all numbers make a list."""
    root: dict[str, object] = {}
    for pointer, value in values.items():
        steps = [step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:]]
        here = root
        for step in steps[:-1]:
            below = here.setdefault(step, {})
            assert isinstance(below, dict)
            here = below
        here[steps[-1]] = value
    return _with_lists(root)


def _with_lists(part: object) -> object:
    if not isinstance(part, dict):
        return part
    inside = {step: _with_lists(value) for step, value in part.items()}
    if inside and all(step.isdecimal() for step in inside):
        return [inside.get(str(at)) for at in range(1 + max(int(step) for step in inside))]
    return inside


def rfc3339(moment: float) -> str:
    """UTC seconds as RFC 3339 text with milliseconds."""
    return datetime.fromtimestamp(moment, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
