"""A device of plain lists, which answers as the MODBUS Application Protocol Specification V1.1b3 reads.

It is written from the specification's text and shares no code with the service, so that a mistake has to be made twice
to go unseen. Slow, and without time, quality or meters.

    holding    0-39 words    40-59 pairs    60-67 fours    68-79 nothing, inside the block
    input      0-119 words, which function 03 reads too from 80 on
    coils      0-49          50-59 nothing, inside the block            discrete inputs    0-59
"""

from __future__ import annotations

import random
import struct

WORDS, PAIRS, FOURS, HOLDING, INPUTS = 40, 60, 68, 80, 120
COILS, ALL_COILS, DISCRETES = 50, 60, 60
UNITS = (0, 1, 255)
MOST_WRITTEN_AND_READ = 121
OBJECTS = {0: b"fuzz", 1: b"", 2: b"V1", 4: bytes(60), 5: bytes(90), 6: b"site", 0x80: bytes(244), 0xC7: b"c" * 100}
REPORT = b"\x4d\xff" + b"model"


class Refused(Exception):
    """An exception code (section 7)."""


def width(address: int) -> tuple[int, int]:
    """The first register of the value at a holding register, and how many registers that value takes."""
    size = 1 if address < WORDS else 2 if address < PAIRS else 4
    return address - address % size, size


class Model:
    """One device's content and what it answers."""

    def __init__(self, seed: int) -> None:
        rng = random.Random(seed)
        self.coils = rng.choices((0, 1), k=COILS) + [0] * (ALL_COILS - COILS)
        self.discretes = rng.choices((0, 1), k=DISCRETES)
        self.holding = [rng.randrange(65536) for _ in range(FOURS)] + [0] * (HOLDING - FOURS)
        self.inputs = [rng.randrange(65536) for _ in range(INPUTS)]

    def answer(self, pdu: bytes) -> bytes:
        """The answer's PDU (4.1), an exception's where the request is refused."""
        try:
            return self._served(pdu)
        except Refused as refused:
            return bytes((pdu[0] | 0x80, refused.args[0]))

    def _served(self, pdu: bytes) -> bytes:
        match pdu[0]:
            case 1 | 2:
                return self._read_bits(pdu)
            case 3 | 4:
                return self._read_words(pdu)
            case 5 | 6:
                return self._write_one(pdu)
            case 15 | 16:
                return self._write_many(pdu)
            case 17:
                self._need(len(pdu) == 1)
                return bytes((17, len(REPORT))) + REPORT
            case 22:
                return self._mask(pdu)
            case 23:
                return self._read_and_write(pdu)
            case 43:
                return self._identify(pdu)
        raise Refused(1)

    @staticmethod
    def _need(right: bool, code: int = 3) -> None:
        if not right:
            raise Refused(code)

    def _span(self, pdu: bytes, most: int) -> tuple[int, int]:
        """A start and a quantity from 1 to `most`."""
        self._need(len(pdu) >= 5)
        start, count = struct.unpack_from(">HH", pdu, 1)
        self._need(1 <= count <= most)
        return start, count

    def _read_bits(self, pdu: bytes) -> bytes:  # 6.1, 6.2
        start, count = self._span(pdu, 2000)
        self._need(len(pdu) == 5)
        table = self.coils if pdu[0] == 1 else self.discretes
        self._need(start + count <= len(table), 2)
        packed = [0] * ((count + 7) // 8)
        for at, bit in enumerate(table[start : start + count]):
            packed[at // 8] |= bit << at % 8
        return bytes((pdu[0], len(packed), *packed))

    def _read_words(self, pdu: bytes) -> bytes:  # 6.3, 6.4
        start, count = self._span(pdu, 125)
        self._need(len(pdu) == 5)
        return bytes((pdu[0], 2 * count)) + self._words(pdu[0] == 3, start, count)

    def _words(self, holding: bool, start: int, count: int) -> bytes:
        self._need(start + count <= INPUTS, 2)
        table = self.holding + self.inputs[HOLDING:] if holding else self.inputs
        return struct.pack(f">{count}H", *table[start : start + count])

    def _write_one(self, pdu: bytes) -> bytes:  # 6.5, 6.6
        self._need(len(pdu) == 5)
        address, value = struct.unpack(">HH", pdu[1:])
        if pdu[0] == 5:
            self._need(value in {0, 0xFF00})
            self._write_bits(address, [int(value == 0xFF00)])
        else:
            self._write_words(address, [value])
        return pdu

    def _write_many(self, pdu: bytes) -> bytes:  # 6.11, 6.12
        bits = pdu[0] == 15
        start, count = self._span(pdu, 1968 if bits else 123)
        size = -(-count // 8) if bits else 2 * count
        self._need(len(pdu) == 6 + size and pdu[5] == size)
        if bits:
            self._write_bits(start, [pdu[6 + at // 8] >> at % 8 & 1 for at in range(count)])
        else:
            self._write_words(start, list(struct.unpack(f">{count}H", pdu[6:])))
        return pdu[:5]

    def _write_bits(self, start: int, values: list[int]) -> None:
        self._need(start + len(values) <= COILS, 2)
        self.coils[start : start + len(values)] = values

    def _write_words(self, start: int, values: list[int]) -> None:
        """Whole values only; half of one is 03, as the README promises."""
        end = start + len(values)
        self._need(end <= HOLDING, 2)
        at = start
        while at < end:
            self._need(at < FOURS, 2)
            first, size = width(at)
            self._need(first == at and at + size <= end)
            at += size
        self.holding[start:end] = values

    def _mask(self, pdu: bytes) -> bytes:  # 6.16
        self._need(len(pdu) == 7)
        address, keep, put = struct.unpack(">HHH", pdu[1:])
        self._need(address < FOURS, 2)
        current = self.holding[address]
        self._write_words(address, [(current & keep) | (put & (0xFFFF ^ keep))])
        return pdu

    def _read_and_write(self, pdu: bytes) -> bytes:  # 6.17
        self._need(len(pdu) >= 10)
        start, count, into, words, size = struct.unpack_from(">HHHHB", pdu, 1)
        self._need(1 <= count <= 125 and 1 <= words <= MOST_WRITTEN_AND_READ)
        self._need(size == 2 * words and len(pdu) == 10 + size)
        self._words(True, start, count)
        self._write_words(into, list(struct.unpack(f">{words}H", pdu[10:])))
        return bytes((23, 2 * count)) + self._words(True, start, count)

    def _identify(self, pdu: bytes) -> bytes:  # 6.21
        self._need(len(pdu) < 2 or pdu[1] == 14, 1)
        self._need(len(pdu) == 4 and 1 <= pdu[2] <= 4)
        access, first = pdu[2:]
        if access == 4:
            self._need(first in OBJECTS, 2)
            chosen = [first]
        else:
            last = {1: 2, 2: 6, 3: 255}[access]
            chosen = [each for each in OBJECTS if each <= last]
            chosen = [each for each in chosen if each >= first] if first in chosen else chosen
        body, sent = b"", 0
        while sent < len(chosen) and len(body) + len(OBJECTS[chosen[sent]]) <= 253 - 7 - 2:
            body += bytes((chosen[sent], len(OBJECTS[chosen[sent]]))) + OBJECTS[chosen[sent]]
            sent += 1
        more = bytes((0xFF, chosen[sent])) if sent < len(chosen) else b"\0\0"
        return bytes((43, 14, access, 0x83)) + more + bytes((sent,)) + body


def frames_of(stream: bytes) -> tuple[list[tuple[int, int, bytes]], bool]:
    """Transaction, unit and PDU of each whole frame of a stream (guide 3.1.3), and whether a wrong header ends it."""
    frames: list[tuple[int, int, bytes]] = []
    while len(stream) >= 7:
        transaction, protocol, length, unit = struct.unpack_from(">HHHB", stream)
        if protocol != 0 or length < 2 or length > 254:
            return frames, True
        if len(stream) < 6 + length:
            break
        frames.append((transaction, unit, stream[7 : 6 + length]))
        stream = stream[6 + length :]
    return frames, False
