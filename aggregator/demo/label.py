"""What the label of a simulated node says: the QR code of LoRaWAN devices, as core/device_code.py reads it.

    LW:D0:0A1DEF0000000001:0A1DEF000000012D:AABB1122:CD635
          JoinEUI          DevEUI           maker    CRC-16/MODBUS of all before

The EUIs are made up, and marked as given locally (IEEE 802, second bit of the first byte). The maker's part is that
of the example in LoRa Alliance TR005 (`from memory`).
"""

from __future__ import annotations

from aggregator.core.crc import crc16

JOIN = "0A1DEF0000000001"
MAKER = "AABB1122"


def label_of(node: str) -> str:
    """The text of the QR code on the node with this DevEUI."""
    text = f"LW:D0:{JOIN}:{node.upper()}:{MAKER}"
    return f"{text}:C{crc16(text.encode()):04X}"
