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
import re
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from reprlib import repr as brief
from typing import NoReturn

from aggregator.core.errors import DecodeError, Place, Refusal
from aggregator.core.pointer import Pointer

NODE = re.compile(r"[0-9a-f]{16}")
LARGEST_FIGURE = 1000  # dBm, dB; also keeps out NaN, infinity and integers that no float holds
LONGEST_MESSAGE = 256 * 1024  # bytes; LoRaWAN payloads are at most 242 bytes, so anything near this is no uplink


class PayloadText(StrEnum):
    """How raw bytes are written in JSON."""

    BASE64 = "base64"
    HEX = "hex"


@dataclass(frozen=True, slots=True)
class Radio:
    """How well an uplink was heard: RSSI in dBm, SNR in dB, the spreading factor as a number (7 to 12)."""

    rssi: float | None = None
    snr: float | None = None
    spreading_factor: float | None = None


NO_RADIO = Radio()


@dataclass(frozen=True, slots=True)
class Uplink:
    """One message of a node. Times are UTC seconds; `decoded` and `payload` are None where the message has none."""

    node: str
    counter: int | None
    port: int | None
    observed: float | None
    received: float | None
    decoded: object
    payload: bytes | None
    radio: Radio


@dataclass(frozen=True, slots=True)
class Envelope:
    """Where the parts of an uplink stand in the messages of one MQTT topic filter."""

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
        return Uplink(
            node=node,
            counter=self._whole(document, self.counter, 0xFFFF_FFFF),
            port=self._whole(document, self.port, 255),
            observed=self._time(document, self.observed),
            received=self._time(document, self.received),
            decoded=None if self.fields is None else self.fields.find(document),
            payload=self._bytes(document),
            radio=self._radio(document),
        )

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
        if isinstance(value, str):
            try:
                moment = datetime.fromisoformat(value)
            except ValueError as error:
                raise DecodeError(Refusal.WRONG_TYPE, f"{pointer} is {brief(value)}, not an RFC 3339 time") from error
            return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e11:
            raise DecodeError(Refusal.WRONG_TYPE, f"{pointer} is {brief(value)}, not a time")
        return float(value)

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
        return Radio(
            self._figure(document, self.rssi),
            self._figure(document, self.snr),
            self._figure(document, self.spreading_factor),
        )

    @staticmethod
    def _figure(document: object, pointer: Pointer | None) -> float | None:
        """A radio figure. One that is odd is left out: how it was heard is no reason to drop what was said."""
        value = None if pointer is None else pointer.find(document)
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= LARGEST_FIGURE:
            return None
        return value


def normal_node(text: str) -> str | None:
    """A DevEUI as 16 lower-case digits, whatever separators it was written with; None where it is none."""
    node = text.strip().lower()
    if len(node) != 16:
        node = re.sub(r"[:\-. ]", "", node)
    return node if NODE.fullmatch(node) else None


class NotJson(ValueError):
    """What the library takes for JSON and RFC 8259 does not."""


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    result: dict[str, object] = {}
    for name, value in pairs:
        if name in result:
            raise NotJson(f"the key {brief(name)} stands twice")
        result[name] = value
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
