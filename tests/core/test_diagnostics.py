"""Functions 08, 11 and 12 byte for byte against the specification, and what each counter counts.

Sources: MODBUS Application Protocol Specification V1.1b3 sections 6.8, 6.9 and 6.10 (examples; the bytes of 6.10
and the coding of its events are from memory); what is counted: MODBUS over Serial Line V1.02, appendix on the
management of diagnostic counters, from memory.
"""

from __future__ import annotations

import pytest

from aggregator.core.diagnostics import COUNTERS, Diagnostics, Sub, Trouble

READ = "03 00 00 00 01"
GOOD = bytes.fromhex("03 02 00 07")


def ask(server: Diagnostics, pdu: str, answer: bytes = GOOD, *, broadcast: bool = False) -> str:
    """The answer to a request where everything else is answered with `answer`."""
    return server.serve(bytes.fromhex(pdu), lambda _: answer, broadcast=broadcast).hex(" ").upper()


def counter(server: Diagnostics, sub: Sub) -> int:
    answer = ask(server, f"08 {sub:04X} 0000")
    assert answer.startswith(f"08 00 {sub:02X}")
    return int(answer[9:].replace(" ", ""), 16)


def test_query_data_come_back_as_they_went() -> None:
    assert ask(Diagnostics(), "08 00 00 A5 37") == "08 00 00 A5 37"  # section 6.8.2
    assert ask(Diagnostics(), "08 00 00 01 02 03 04") == "08 00 00 01 02 03 04"  # data of N x 2 bytes


def test_the_event_counter_answers_as_in_the_example() -> None:
    """Section 6.9: 264 events. The example's server is still busy (FFFF); this one carries out at once, so never is."""
    server = Diagnostics()
    for _ in range(264):
        ask(server, READ)
    assert ask(server, "0B") == "0B 00 00 01 08"
    assert ask(server, "0B") == "0B 00 00 01 08"  # fetching it is no event
    ask(server, READ, bytes.fromhex("83 02"))
    assert ask(server, "0B") == "0B 00 00 01 08"  # nor is an exception


def test_the_event_log_answers_as_in_the_example() -> None:
    """Section 6.10: 264 events, 289 messages, then the log. Here the request itself stands in it, newest first."""
    server = Diagnostics()
    server.events, server.counts[Sub.BUS_MESSAGES] = 264, 289
    server.log.extend((0x20, 0x00))
    assert ask(server, "0C") == "0C 09 00 00 01 08 01 21 80 20 00"


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("08 00 63 A5 37", "88 01"),  # no such sub-function
        ("08 00 03 0A 00", "88 01"),  # ASCII delimiter: there is no ASCII here
        ("08 00 13 00 00", "88 01"),  # reserved
        ("08 FF FF 00 00", "88 01"),
        ("08", "88 01"),
        ("08 00", "88 01"),
        ("08 00 00", "88 03"),
        ("08 00 00 A5", "88 03"),
        ("08 00 01 00 01", "88 03"),
        ("08 00 01 FF FF", "88 03"),
        ("08 00 02 00 01", "88 03"),
        ("08 00 04 FF 00", "88 03"),
        ("08 00 0A 00 01", "88 03"),
        ("08 00 0B FF 00", "88 03"),
        ("08 00 12 00", "88 03"),
        ("08 00 14 00 00 00", "88 03"),
        ("0B 00", "8B 03"),
        ("0C 00", "8C 03"),
    ],
)
def test_function_and_sub_function_are_checked_before_the_data(request_: str, answer: str) -> None:
    """Section 6.8 and its Figure 18: 01, then 03."""
    server = Diagnostics()
    assert ask(server, request_) == answer
    assert not server.listens_only
    assert server.counts[Sub.EXCEPTIONS] == 1


@pytest.mark.parametrize("sub", COUNTERS)
def test_every_counter_is_read_cleared_and_wraps(sub: Sub) -> None:
    server = Diagnostics()
    server.counts[sub] = 0xFFFE
    own = sub is Sub.SERVER_MESSAGES  # it counts the request that reads it as well
    assert counter(server, sub) == 0xFFFE + own
    assert ask(server, "08 00 0A 00 00") == "08 00 0A 00 00"
    assert counter(server, sub) == own
    server.counts[sub] = 0xFFFF
    server._count(sub)
    assert server.counts[sub] == 0


def test_each_counter_counts_what_it_says() -> None:
    server = Diagnostics()
    ask(server, READ)
    ask(server, "06 00 00 00 01", broadcast=True)
    ask(server, READ, bytes.fromhex("83 02"))
    ask(server, READ, bytes.fromhex("83 06"))  # server device busy [7]
    ask(server, READ, bytes.fromhex("83 07"))  # negative acknowledge
    ask(server, "06 00 00 00 01", bytes.fromhex("86 02"), broadcast=True)
    server.note_message()
    server.note_error()
    server.note_error()
    server.note_overruns(3)
    server.note_overtaken()
    assert server.counts == {
        Sub.BUS_MESSAGES: 1,
        Sub.BUS_ERRORS: 2,
        Sub.EXCEPTIONS: 4,  # those in requests to everybody too, though nobody is sent them
        Sub.SERVER_MESSAGES: 6,
        Sub.NO_RESPONSES: 3,
        Sub.NAKS: 1,
        Sub.BUSY: 1,
        Sub.OVERRUNS: 3,
    }
    assert server.events == 2


def test_nobody_is_asked_by_everybody_s_address() -> None:
    """V1.02 section 2.1: requests to everybody are necessarily writes."""
    server = Diagnostics()
    for pdu in (READ, "0B", "08 00 04 00 00"):
        assert ask(server, pdu, broadcast=True) == ""
    assert not server.listens_only
    assert server.events == 0
    assert server.counts[Sub.NO_RESPONSES] == 3


def test_in_listen_only_mode_nothing_is_carried_out_and_nothing_answered() -> None:
    server = Diagnostics()
    carried_out: list[bytes] = []

    def carry_out(pdu: bytes) -> bytes:
        carried_out.append(pdu)
        return GOOD

    assert server.serve(bytes.fromhex("08 00 04 00 00"), carry_out, broadcast=False) == b""
    for pdu in (READ, "0B", "08 00 00 A5 37", "08 00 0A 00 00", "08 00 01 00 01"):
        assert server.serve(bytes.fromhex(pdu), carry_out, broadcast=False) == b""
    server.serve(bytes.fromhex("06 00 00 00 01"), carry_out, broadcast=True)
    assert carried_out == []
    assert server.counts[Sub.NO_RESPONSES] == 7
    assert ask(server, "08 00 01 00 00") == ""  # the only way out, and not answered either
    assert ask(server, READ) == "03 02 00 07"


def test_a_restart_is_answered_and_clears_the_counters_and_only_with_ff00_the_log() -> None:
    server = Diagnostics()
    ask(server, READ, bytes.fromhex("83 02"))
    assert ask(server, "08 00 01 00 00") == "08 00 01 00 00"
    assert server.counts == dict.fromkeys(COUNTERS, 0)
    assert list(server.log) == [0x00, 0x40, 0x80, 0x41, 0x80]
    assert ask(server, "08 00 01 FF 00") == "08 00 01 FF 00"
    assert list(server.log) == [0x00]


@pytest.mark.parametrize(
    ("code", "event"), [(1, 0x41), (2, 0x41), (3, 0x41), (4, 0x42), (5, 0x44), (6, 0x44), (7, 0x48), (11, 0x40)]
)
def test_the_log_says_which_kind_of_exception_was_sent(code: int, event: int) -> None:
    server = Diagnostics()
    ask(server, READ, bytes((0x83, code)))
    assert list(server.log) == [event, 0x80]


def test_the_log_tells_the_whole_story_newest_first() -> None:
    server = Diagnostics()
    server.note_error()
    server.note_overruns(1)
    ask(server, "06 00 00 00 01", bytes.fromhex("86 02"), broadcast=True)
    ask(server, "08 00 04 00 00")
    ask(server, READ)
    assert list(server.log) == [0x60, 0xA0, 0x04, 0x40, 0x80, 0x40, 0xC0, 0x90, 0x82]


def test_the_log_keeps_the_last_64_events() -> None:
    server = Diagnostics()
    for _ in range(40):
        ask(server, READ)
    answer = ask(server, "0C").split()
    assert (answer[1], len(answer)) == ("46", 2 + 6 + 64)


def test_the_diagnostic_register_says_what_has_happened_since_it_was_cleared() -> None:
    server = Diagnostics()
    assert ask(server, "08 00 02 00 00") == "08 00 02 00 00"
    server.note_error()
    server.note_overruns(1)
    server.note_reopened()
    ask(server, READ, bytes.fromhex("83 02"))
    assert ask(server, "08 00 02 00 00") == "08 00 02 00 0F"
    assert ask(server, "08 00 14 00 00") == "08 00 14 00 00"
    assert counter(server, Sub.OVERRUNS) == 0
    assert server.trouble == Trouble.COMMUNICATION_ERROR | Trouble.EXCEPTION_ANSWERED | Trouble.PORT_REOPENED
    ask(server, "08 00 0A 00 00")
    assert ask(server, "08 00 02 00 00") == "08 00 02 00 00"
