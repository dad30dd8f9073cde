"""The CRC against published checks, an independent implementation and frames of the specification.

Sources: MODBUS over Serial Line V1.02 section 6.2.2, MODBUS Application Protocol Specification V1.1b3.
"""

from __future__ import annotations

import pytest
from crccheck.crc import CrcModbus
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.crc import crc16


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        (b"123456789", 0x4B37),
        (b"", 0xFFFF),
        (b"\0", 0x40BF),
        (b"\x02\x07", 0x1241),
        (b"A", 0x707F),
        (bytes(8), 0x0B40),
        (b"\xff" * 8, 0x8F01),
        (bytes(range(256)), 0xDE6C),
    ],
)
def test_the_crc_is_that_of_the_published_checks(data: bytes, crc: int) -> None:
    """Verified between crccheck, crcmod, fastcrc and a bitwise loop."""
    assert crc16(data) == crc


@given(st.binary(max_size=300))
def test_the_crc_agrees_with_crccheck(data: bytes) -> None:
    assert crc16(data) == CrcModbus.calc(data)


@pytest.mark.parametrize(
    "frame",
    [
        "01 03 00 00 00 01 84 0A",
        "01 03 00 00 00 02 C4 0B",
        "01 03 00 00 00 0A C5 CD",
        "01 03 00 6B 00 03 74 17",
        "01 03 06 02 2B 00 00 00 64 05 7A",
        "01 01 00 13 00 13 8C 02",
        "01 01 03 CD 6B 05 42 82",
        "01 02 00 C4 00 16 B8 39",
        "01 02 03 AC DB 35 22 88",
        "01 04 00 08 00 01 B0 08",
        "01 04 02 00 0A 39 37",
        "01 05 00 AC FF 00 4C 1B",
        "01 06 00 01 00 03 98 0B",
        "11 06 00 01 00 03 9A 9B",
        "01 0F 00 13 00 0A 02 CD 01 72 CB",
        "01 0F 00 13 00 0A 24 09",
        "01 10 00 01 00 02 04 00 0A 01 02 92 30",
        "01 10 00 01 00 02 10 08",
        "01 16 00 04 00 F2 00 25 67 EE",
        "01 81 02 C1 91",
        "01 83 02 C0 F1",
        "01 84 02 C2 C1",
        "01 83 0B 00 F7",
        "01 03 02 00 FF F8 04",
        "01 03 04 00 00 00 00 FA 33",
        "01 08 00 00 A5 37 DA 8D",
    ],
)
def test_published_serial_frames_leave_no_residue(frame: str) -> None:
    """A frame together with its CRC, low byte first, has CRC 0."""
    data = bytes.fromhex(frame)
    assert crc16(data) == 0
    assert crc16(data[:-2]) == int.from_bytes(data[-2:], "little")
