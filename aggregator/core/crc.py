"""CRC-16/MODBUS: it ends every frame on a serial line, low byte first (MODBUS over Serial Line V1.02 section 6.2.2)."""

from __future__ import annotations

from typing import Final


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
        table.append(crc)
    return tuple(table)


_TABLE: Final = _crc_table()


def crc16(data: bytes, crc: int = 0xFFFF) -> int:
    """CRC-16/MODBUS of `data` (V1.02 section 6.2.2); on the wire low byte first. `crc`: that of what came before.

    >>> hex(crc16(b"123456789"))
    '0x4b37'
    """
    for byte in data:
        crc = (crc >> 8) ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc
