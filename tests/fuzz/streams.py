"""Streams of frames: right ones, ones at and over every limit, and both of them spoilt."""

from __future__ import annotations

import random
import struct

ADDRESSES = (0, 1, 39, 40, 41, 49, 50, 58, 59, 60, 63, 64, 67, 68, 79, 80, 118, 119, 120, 32767, 65534, 65535)
COUNTS = (0, 1, 2, 3, 4, 8, 9, 119, 120, 121, 122, 123, 124, 125, 126, 1968, 1969, 2000, 2001, 32768, 65535)
FUNCTIONS = (1, 2, 3, 4, 5, 6, 15, 16, 17, 22, 23, 43)
UNITS = (1, 1, 1, 1, 0, 255, 2, 247)
LONGEST_PDU = 253


def address(rng: random.Random) -> int:
    return rng.choice(ADDRESSES) if rng.random() < 0.5 else rng.randrange(125)


def quantity(rng: random.Random) -> int:
    return rng.choice(COUNTS) if rng.random() < 0.4 else rng.randint(1, 20)


def request(rng: random.Random) -> bytes:
    """A PDU that is near to right."""
    function = rng.choice(FUNCTIONS) if rng.random() < 0.95 else rng.randrange(256)
    match function:
        case 1 | 2 | 3 | 4:
            return struct.pack(">BHH", function, address(rng), quantity(rng))
        case 5:
            return struct.pack(">BHH", 5, address(rng), rng.choice((0, 0xFF00, 0xFF00, 1, 0xFFFF)))
        case 6:
            return struct.pack(">BHH", 6, address(rng), rng.randrange(65536))
        case 15 | 16:
            count = quantity(rng)
            size = min((count + 7) // 8 if function == 15 else 2 * count, 246)
            return struct.pack(">BHHB", function, address(rng), count, size) + rng.randbytes(size)
        case 22:
            return struct.pack(">BHHH", 22, address(rng), rng.randrange(65536), rng.randrange(65536))
        case 23:
            count = quantity(rng)
            size = min(2 * count, 242)
            head = struct.pack(">BHHHHB", 23, address(rng), quantity(rng), address(rng), count, size)
            return head + rng.randbytes(size)
        case 43:
            return bytes((43, rng.choice((14, 14, 14, 13)), rng.randrange(6), rng.choice((0, 1, 4, 6, 0x80, 0xC7, 9))))
        case _:
            return bytes((function,)) + rng.randbytes(rng.choice((0, 0, 1, 4, 30)))


def frame(rng: random.Random) -> bytes:
    pdu = request(rng)[:LONGEST_PDU]
    if rng.random() < 0.2:
        pdu = spoilt(rng, pdu)[:LONGEST_PDU] or b"\0"
    return struct.pack(">HHHB", rng.randrange(65536), 0, len(pdu) + 1, rng.choice(UNITS)) + pdu


def spoilt(rng: random.Random, data: bytes) -> bytes:
    """The same with a bit turned, bytes put in, taken out, doubled or written over."""
    at = rng.randrange(len(data) + 1)
    match rng.randrange(5):
        case 0 if at < len(data):
            return data[:at] + bytes((data[at] ^ 1 << rng.randrange(8),)) + data[at + 1 :]
        case 1:
            return data[:at] + rng.randbytes(rng.randint(1, 4)) + data[at:]
        case 2:
            return data[:at] + data[at + rng.randint(1, 4) :]
        case 3:
            return data[:at] + data[max(0, at - rng.randint(1, 16)) :]
        case _:
            return data[:at] + rng.choice((b"\0", b"\xff", b"\x80", b"\x7f")) + data[at + 1 :]


def stream(rng: random.Random) -> tuple[bytes, list[int]]:
    """What a client sends, and where it is cut into portions."""
    data = b"".join(frame(rng) for _ in range(rng.randint(1, 8)))
    if rng.random() < 0.25:
        data = spoilt(rng, data)
    return data, [rng.randrange(65536) for _ in range(rng.randrange(4))]
