"""An uplink: one message of a node, out of whatever JSON the site's network server wraps it in.

    topic    lns/alder-fen/70b3d57ed0000101/up
    message  {"device": {"eui": "70B3D57ED0000101"}, "frame": {"counter": 41, "port": 2, "data": "AQMEQvbp..."},
              "received_at": "2026-11-25T08:00:00Z", "radio": [{"rssi": -101, "snr": 5.5}]}

An envelope says, by JSON Pointers (RFC 6901), where in such a message each thing stands. JSON is read strictly: no
duplicate keys, no NaN or Infinity (RFC 8259 has neither, and both slip past every threshold).
"""

from __future__ import annotations

import base64
import binascii
import json
import math
import re
from collections import Counter
from dataclasses import dataclass, field
from enum import StrEnum
from reprlib import repr as brief
from typing import NamedTuple, NoReturn

from aggregator.core.dating import ORDINARY, NodeClock, moment_of
from aggregator.core.errors import DecodeError, Place, Refusal
from aggregator.core.pointer import Pointer

_new = tuple.__new__  # as in judge: one is made at every uplink

NODE = re.compile(r"[0-9a-f]{16}")
LARGEST_FIGURE = 1000  # dBm, dB; also keeps out NaN, infinity and integers that no float holds
LONGEST_MESSAGE = 256 * 1024  # bytes; LoRaWAN payloads are at most 242 bytes, so anything near this is no uplink


class PayloadText(StrEnum):
    """How raw bytes are written in JSON."""

    BASE64 = "base64"
    HEX = "hex"


class Radio(NamedTuple):
    """How well an uplink was heard: RSSI in dBm, SNR in dB, the spreading factor as a number (7 to 12)."""

    rssi: float | None = None
    snr: float | None = None
    spreading_factor: float | None = None

    def is_better_than(self, other: Radio) -> bool:
        """Whether one radio heard better than another: by SNR, then by RSSI; a figure that is missing is the worst."""
        return self._figures() > other._figures()

    def _figures(self) -> tuple[float, float]:
        return -math.inf if self.snr is None else self.snr, -math.inf if self.rssi is None else self.rssi


NO_RADIO = Radio()


class Uplink(NamedTuple):
    """One message of a node. Times are UTC seconds; `decoded` and `payload` are None where the message has none.

    `session` is what the network calls the node since its last join, in LoRaWAN the DevAddr.
    """

    node: str
    counter: int | None
    port: int | None
    observed: float | None
    received: float | None
    decoded: object
    payload: bytes | None
    radio: Radio
    session: str | None = None


@dataclass(frozen=True, slots=True)
class Envelope:
    """Where the parts of an uplink stand in the messages of one MQTT topic filter.

    `counter_bits` is how much of the counter the network hands on, 32 or 16. With `radios`, an array of all that heard
    the uplink, `rssi` and `snr` stand in each of its entries; `spreading_factor` is always one of the whole message.
    """

    topic: str
    node: Pointer
    counter: Pointer | None = None
    port: Pointer | None = None
    observed: Pointer | None = None
    received: Pointer | None = None
    fields: Pointer | None = None
    payload: Pointer | None = None
    payload_text: PayloadText = PayloadText.BASE64
    rssi: Pointer | None = None
    snr: Pointer | None = None
    spreading_factor: Pointer | None = None
    session: Pointer | None = None
    counter_bits: int = 32
    radios: Pointer | None = None
    node_clock: NodeClock = ORDINARY
    place: Place = field(default=Place(""), compare=False)

    def open(self, message: bytes) -> Uplink:
        """The uplink in a message. Raises DecodeError, which names the key that is missing or of the wrong type."""
        document = read_json(message)
        node = self._node(document)
        try:
            return self._uplink(document, node)
        except DecodeError as error:
            error.node = node
            raise

    def _uplink(self, document: object, node: str) -> Uplink:
        parts = (
            node,
            self._whole(document, self.counter, (1 << self.counter_bits) - 1),
            self._whole(document, self.port, 255),
            self._time(document, self.observed),
            self._time(document, self.received),
            None if self.fields is None else self.fields.find(document),
            self._bytes(document),
            self._radio(document) if self.radios is None else self._best_radio(document, self.radios),
            None if self.session is None else self._session(document, self.session),
        )
        return _new(Uplink, parts)

    def _node(self, document: object) -> str:
        value = self.node.find(document)
        if value is None:
            raise DecodeError(Refusal.MISSING, f"no node at {self.node}")
        if not isinstance(value, str):
            raise DecodeError(Refusal.WRONG_TYPE, f"the node at {self.node} is {brief(value)}, not text")
        node = normal_node(value)
        if node is None:
            raise DecodeError(
                Refusal.WRONG_TYPE, f"the node at {self.node} is {brief(value)}, not 16 hexadecimal digits"
            )
        return node

    @staticmethod
    def _whole(document: object, pointer: Pointer | None, most: int) -> int | None:
        if pointer is None:
            return None
        value = pointer.find(document)
        if value is None:
            raise DecodeError(Refusal.MISSING, f"nothing at {pointer}")
        if type(value) is not int or not 0 <= value <= most:
            raise DecodeError(Refusal.WRONG_TYPE, f"{pointer} is {brief(value)}, not a whole number from 0 to {most}")
        return value

    @staticmethod
    def _time(document: object, pointer: Pointer | None) -> float | None:
        """Seconds since 1970 from RFC 3339 text or a number of seconds. An absent time is no fault of the uplink."""
        value = None if pointer is None else pointer.find(document)
        if value is None:
            return None
        try:
            return moment_of(value)
        except ValueError as error:
            raise DecodeError(Refusal.WRONG_TYPE, f"{pointer} is {brief(value)}, {error}") from error

    def _bytes(self, document: object) -> bytes | None:
        text = None if self.payload is None else self.payload.find(document)
        if text is None:
            return None
        if not isinstance(text, str):
            raise DecodeError(Refusal.WRONG_TYPE, f"the payload at {self.payload} is {brief(text)}, not text")
        try:
            if self.payload_text is PayloadText.HEX:
                return bytes.fromhex(text)
            return base64.b64decode(text, validate=True)
        except (ValueError, binascii.Error) as error:
            raise DecodeError(Refusal.BAD_PAYLOAD, f"{self.payload} is not {self.payload_text}") from error

    def _radio(self, document: object) -> Radio:
        if self.rssi is None and self.snr is None and self.spreading_factor is None:
            return NO_RADIO
        figure = self._figure
        figures = figure(document, self.rssi), figure(document, self.snr), figure(document, self.spreading_factor)
        return _new(Radio, figures)

    def _best_radio(self, document: object, radios: Pointer) -> Radio:
        """The figures of whichever radio heard best."""
        found = radios.find(document)
        spreading_factor = self._figure(document, self.spreading_factor)
        best = Radio(spreading_factor=spreading_factor)
        for each in found if isinstance(found, list) else ():
            radio = Radio(self._figure(each, self.rssi), self._figure(each, self.snr), spreading_factor)
            if radio.is_better_than(best):
                best = radio
        return best

    @staticmethod
    def _session(document: object, pointer: Pointer) -> str | None:
        """A session's name. An absent one is no fault of the uplink: it is then told by its time."""
        value = pointer.find(document)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, str | int):
            raise DecodeError(Refusal.WRONG_TYPE, f"the session at {pointer} is {brief(value)}, no name or number")
        return str(value) or None

    @staticmethod
    def _figure(document: object, pointer: Pointer | None) -> float | None:
        """A radio figure. One that is odd is left out: how it was heard is no reason to drop what was said."""
        value = None if pointer is None else pointer.find(document)
        if (type(value) is float or type(value) is int) and -LARGEST_FIGURE <= value <= LARGEST_FIGURE:
            return value
        return None


def normal_node(text: str) -> str | None:
    """A DevEUI as 16 lower-case digits, whatever separators it was written with; None where it is none."""
    node = text.strip().lower()
    if len(node) != 16:
        node = re.sub(r"[:\-. ]", "", node)
    return node if NODE.fullmatch(node) else None


class NotJson(ValueError):
    """What the library takes for JSON and RFC 8259 does not."""


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    result = dict(pairs)
    if len(result) != len(pairs):
        twice = Counter(name for name, _ in pairs).most_common(1)[0][0]
        raise NotJson(f"the key {brief(twice)} stands twice")
    return result


def _constant(name: str) -> NoReturn:
    raise NotJson(f"{name} is not JSON")


STRICT = json.JSONDecoder(object_pairs_hook=_object, parse_constant=_constant)


def read_json(message: bytes) -> object:
    """The JSON document in a message. Raises DecodeError."""
    if len(message) > LONGEST_MESSAGE:
        raise DecodeError(Refusal.BAD_JSON, f"{len(message)} bytes are more than an uplink has")
    try:
        document: object = STRICT.decode(message.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise DecodeError(Refusal.BAD_JSON, f"byte {error.start} is not UTF-8") from error
    except json.JSONDecodeError as error:
        what = f"no JSON from line {error.lineno}, column {error.colno} on"
        raise DecodeError(Refusal.BAD_JSON, what) from error
    except RecursionError as error:
        raise DecodeError(Refusal.BAD_JSON, "nested deeper than any uplink is") from error
    except ValueError as error:  # ours, or that of a number of thousands of digits
        ours = str(error) if isinstance(error, NotJson) else "a number has more digits than any reading"
        raise DecodeError(Refusal.BAD_JSON, ours) from error
    return document
