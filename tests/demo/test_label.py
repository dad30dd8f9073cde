"""The label of a simulated node, held against an independent CRC and against what reads the labels of real ones."""

from __future__ import annotations

import pytest
from crccheck.crc import CrcModbus

from aggregator.core.device_code import read_code
from aggregator.core.errors import CannotLink
from aggregator.demo.label import label_of

NODE = "0a1def000000012d"


def test_its_parts_are_those_of_a_lorawan_qr_code_with_a_checksum() -> None:
    """LoRa Alliance TR005, from memory."""
    before, _, checksum = label_of(NODE).rpartition(":C")
    assert before == "LW:D0:0A1DEF0000000001:0A1DEF000000012D:AABB1122"
    assert int(checksum, 16) == CrcModbus.calc(before.encode())


def test_it_reads_as_the_node_it_stands_on() -> None:
    code = read_code(label_of(NODE))
    assert (code.node, code.join, code.profile) == (NODE, "0a1def0000000001", "AABB1122")


def test_the_euis_are_given_locally_and_so_no_makers() -> None:
    """IEEE 802-2014 clause 8.2, from memory: the second lowest bit of the first byte says so."""
    code = read_code(label_of(NODE))
    assert code.join is not None
    assert all(int(eui[:2], 16) & 0b11 == 0b10 for eui in (code.node, code.join))


def test_a_wrong_digit_is_noticed() -> None:
    with pytest.raises(CannotLink, match="checksum does not fit"):
        read_code(label_of(NODE).replace("12D", "12E"))
