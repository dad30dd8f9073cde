"""Devices on a line: frames byte for byte, several unit ids, everybody, and what is counted of it.

Sources: MODBUS over Serial Line V1.02 sections 2.1, 2.2 and 2.5.1; frames of the worked examples of MODBUS Application
Protocol Specification V1.1b3, their CRCs verified with crccheck.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from crccheck.crc import CrcModbus

from aggregator.core.access import Party, Right
from aggregator.core.account import Account
from aggregator.core.address_map import Item, Shows, Table
from aggregator.core.diagnostics import Sub, Trouble
from aggregator.core.encoding import Encoding, ItemCodec
from aggregator.core.image import Image
from aggregator.core.outbox import Outbox
from aggregator.core.reading import Now
from aggregator.core.refusals import Refusals, Refused
from aggregator.core.serial_line import Wire
from aggregator.core.serial_server import SerialServer
from tests.core.conftest import ANYBODY

ImageOf = Callable[..., Image]
NOW = Now(5000.0, 1_795_600_000.0)
WORD = ItemCodec(Encoding.number("uint16"), filler=0)


class Spoken:
    """Two devices, units 1 and 17, on one line, and who else is on it."""

    def __init__(self, image_of: ImageOf, who: Party = ANYBODY) -> None:
        values = ((107, 555), (108, 0), (109, 100))
        items = [Item(Table.INPUT, at, Shows.CONSTANT, str(value), WORD) for at, value in values]
        items += [Item(Table.HOLDING, at, Shows.SCRATCH, f"register {at}", WORD) for at in range(10)]
        self.account = Account("/dev/ttyUSB0", who.name, NOW, Refusals(Outbox()))
        self.devices = {unit: image_of(*items) for unit in (1, 17)}
        self.server = SerialServer(self.devices, who, self.account, Wire(19200))
        self.at = 10.0
        self.server.opened(self.at)
        self.silence()

    def say(self, frame: str) -> None:
        self.server.receive(bytes.fromhex(frame), self.at, NOW)

    def silence(self) -> str:
        """What is sent once the line has been silent for as long as it wants to be."""
        if self.server.line.due is None:
            return ""
        self.at = self.server.line.due
        return self.server.silence(self.at, NOW).hex(" ").upper()

    def ask(self, frame: str) -> str:
        self.say(frame)
        return self.silence()

    def ask_pdu(self, pdu: str, unit: int = 1) -> str:
        """The answer's PDU, its address and CRC checked."""
        request = bytes((unit,)) + bytes.fromhex(pdu)
        answer = bytes.fromhex(self.ask((request + int(CrcModbus.calc(request)).to_bytes(2, "little")).hex()))
        assert CrcModbus.calc(answer) == 0
        assert answer[0] == unit
        return answer[1:-2].hex(" ").upper()

    def holds(self, unit: int, address: int) -> int:
        return int.from_bytes(self.devices[unit].read_holding_registers(address, 1, NOW), "big")


@pytest.fixture
def line(image_of: ImageOf) -> Spoken:
    return Spoken(image_of)


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("01 03 00 6B 00 03 74 17", "01 03 06 02 2B 00 00 00 64 05 7A"),  # 6.3
        ("01 06 00 01 00 03 98 0B", "01 06 00 01 00 03 98 0B"),  # 6.6
        ("11 06 00 01 00 03 9A 9B", "11 06 00 01 00 03 9A 9B"),
        ("01 10 00 01 00 02 04 00 0A 01 02 92 30", "01 10 00 01 00 02 10 08"),  # 6.12
        ("01 08 00 00 A5 37 DA 8D", "01 08 00 00 A5 37 DA 8D"),  # 6.8.2
        ("01 03 A1 00 00 01 A7 F6", "01 83 02 C0 F1"),  # 7
    ],
)
def test_worked_frames_are_answered_byte_for_byte(line: Spoken, request_: str, answer: str) -> None:
    assert line.ask(request_) == answer


def test_each_unit_id_answers_for_its_own_device_and_no_other_answers(line: Spoken) -> None:
    line.ask("11 06 00 01 00 03 9A 9B")
    assert (line.holds(1, 1), line.holds(17, 1)) == (0, 3)
    assert line.ask("09 06 00 01 00 03 99 43") == ""
    assert line.server.requests == 1


def test_what_everybody_is_told_is_carried_out_by_each_and_answered_by_none(line: Spoken) -> None:
    assert line.ask("00 06 00 01 00 03 99 DA") == ""
    assert (line.holds(1, 1), line.holds(17, 1)) == (3, 3)
    assert line.server.wrote
    assert line.ask("00 03 00 01 00 01 D4 1B") == ""
    assert line.ask_pdu("08 00 0F 00 00") == "08 00 0F 00 02"


def test_an_overtaken_write_is_not_carried_out(line: Spoken) -> None:
    assert line.ask("01 06 00 01 00 03 98 0B" + "01 03 00 6B 00 03 74 17") == "01 03 06 02 2B 00 00 00 64 05 7A"
    assert line.holds(1, 1) == 0
    assert line.ask_pdu("08 00 0F 00 00") == "08 00 0F 00 01"


def test_what_everybody_is_told_is_carried_out_though_the_line_goes_on(line: Spoken) -> None:
    line.ask("00 06 00 01 00 03 99 DA" + "01 03 00 6B 00 03 74 17")
    assert (line.holds(1, 1), line.holds(17, 1)) == (3, 3)


def test_messages_and_errors_on_the_line_are_counted_for_each_device_apart(line: Spoken) -> None:
    line.ask("09 03 00 6B 00 03 75 5F")  # 1: another's
    line.ask("01 03 00 6B 00 03 74 18")  # a wrong CRC is no message
    line.ask("01 03 00 6B 00 03 74 17")  # 2
    assert line.ask_pdu("08 00 0B 00 00") == "08 00 0B 00 03"
    assert line.ask_pdu("08 00 0C 00 00") == "08 00 0C 00 01"
    assert line.ask_pdu("08 00 0E 00 00") == "08 00 0E 00 04"
    assert line.ask_pdu("08 00 0A 00 00") == "08 00 0A 00 00"
    assert line.ask_pdu("08 00 0C 00 00") == "08 00 0C 00 00"
    assert line.ask_pdu("08 00 0C 00 00", unit=17) == "08 00 0C 00 01"
    assert line.ask_pdu("08 00 0E 00 00", unit=17) == "08 00 0E 00 02"


def test_one_device_can_be_silenced_while_the_other_answers(line: Spoken) -> None:
    line.say("01 08 00 04 00 00 A1 CA")
    assert line.silence() == ""
    assert line.ask("01 03 00 6B 00 03 74 17") == ""
    assert line.ask("11 06 00 01 00 03 9A 9B") == "11 06 00 01 00 03 9A 9B"
    assert line.ask("01 08 00 01 00 00 B1 CB") == ""
    assert line.ask("01 03 00 6B 00 03 74 17") == "01 03 06 02 2B 00 00 00 64 05 7A"


def test_a_port_that_comes_back_is_in_the_diagnostic_register_and_ends_a_half_request(line: Spoken) -> None:
    line.say("01 03 00 6B")
    line.server.opened(line.at)
    line.silence()
    assert line.server.diagnostics[1].trouble == Trouble.PORT_REOPENED
    assert line.ask("01 03 00 6B 00 03 74 17") == "01 03 06 02 2B 00 00 00 64 05 7A"


def test_lost_characters_are_counted_for_each_device(line: Spoken) -> None:
    line.server.overran(2)
    assert [each.counts[Sub.OVERRUNS] for each in line.server.diagnostics.values()] == [2, 2]


def test_functions_that_nobody_serves_get_exception_01(line: Spoken) -> None:
    assert line.ask_pdu("07") == "87 01"  # exception status is not served
    assert line.ask_pdu("41 01 02 03") == "C1 01"
    assert line.ask_pdu("08 00 03 0A 00") == "88 01"


def test_whoever_may_only_read_neither_writes_nor_silences(image_of: ImageOf) -> None:
    line = Spoken(image_of, Party("reader", Right.READ))
    assert line.ask("01 03 00 6B 00 03 74 17") == "01 03 06 02 2B 00 00 00 64 05 7A"
    assert line.ask_pdu("06 00 01 00 03") == "86 01"
    assert line.ask("00 06 00 01 00 03 99 DA") == ""
    assert (line.holds(1, 1), line.holds(17, 1)) == (0, 0)
    assert line.ask_pdu("08 00 04 00 00") == "88 01"
    assert line.ask_pdu("08 00 0E 00 00") == "08 00 0E 00 05"
    assert line.ask_pdu("08 00 01 00 00") == "08 00 01 00 00"
    assert line.account.refusals.counts[Refused.WRITE] == 3  # of unit 1, and of both as everybody was told


def test_account_is_kept_of_what_the_line_asks(line: Spoken) -> None:
    for _ in range(3):
        line.ask("01 03 00 6B 00 03 74 17")
    line.ask("09 03 00 6B 00 03 75 5F")
    line.ask_pdu("0B")
    line.ask_pdu("03 A1 00 00 01", unit=17)
    assert line.account.units == {1: 4, 17: 1}
    assert line.account.runs() == {(1, 3): [(0x6B, 0x6E)]}
    assert line.account.exceptions == {2: 1}
