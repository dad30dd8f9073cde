"""A message as the broker delivers it: MQTT's PUBLISH packet, read here because every uplink is one.

    | 0011 | dup | qos 2 | retain |  kind and flags, u8  | remaining length, 1 to 4 bytes of 7 bits, lowest first |
    | topic length u16 | topic, UTF-8 | packet identifier u16 *  | properties length, as above ** | properties ** |
    | payload, all that remains |                  * where qos is not 0   ** in MQTT 5 only, and of no use to us

MQTT 5.0 sections 1.5.5, 2.1 and 3.3; MQTT 3.1.1 sections 2.2 and 3.3. The library reads all other packets. It could
read these as well, but makes of each an object with a lock, a condition and a table of properties: 29 us of the
processor from socket to acknowledgement, where 5 will do, and all that the core does with an uplink takes 30.
"""

from __future__ import annotations

from typing import NamedTuple

PUBLISH = 0x30
KIND = 0xF0
MOST_LENGTH_BYTES = 4


class Malformed(ValueError):
    """The bytes are no packet that a broker may send us."""


class Message(NamedTuple):
    """One message. `number` is its packet identifier, for the acknowledgement; 0 where `qos` is 0."""

    topic: str
    payload: bytes
    retained: bool
    qos: int
    number: int


def length_at(data: bytes | bytearray, at: int) -> tuple[int, int] | None:
    """A number of 7 bits a byte, and where it ends; None where it is not all there yet. Raises Malformed."""
    value = 0
    for place in range(MOST_LENGTH_BYTES):
        if at + place >= len(data):
            return None
        byte = data[at + place]
        value |= (byte & 0x7F) << 7 * place
        if byte < 0x80:
            return value, at + place + 1
    raise Malformed("a length of more than four bytes")


def message_in(data: bytes | bytearray, flags: int, begin: int, end: int, *, is_5: bool) -> Message:
    """The message in a PUBLISH packet with these flags, whose rest stands from `begin` to `end`. Raises Malformed."""
    qos = flags >> 1 & 3
    topic_end = begin + 2 + int.from_bytes(data[begin : begin + 2], "big")
    at = topic_end + 2 if qos else topic_end
    if is_5:
        length = length_at(data, at)
        if length is None:
            raise Malformed("a message without the length of its properties")
        at = length[0] + length[1]
    if at > end or qos > 1:  # we never subscribe with more
        raise Malformed("a message that ends within its head, or of a quality of service that was not asked for")
    try:
        topic = data[begin + 2 : topic_end].decode()
    except UnicodeDecodeError as error:
        raise Malformed("a topic that is no UTF-8") from error
    number = int.from_bytes(data[topic_end : topic_end + 2], "big") if qos else 0
    return Message(topic, bytes(data[at:end]), bool(flags & 1), qos, number)
