"""A shared line heard through a driver that hands bytes over late and in lumps.

Sources: MODBUS over Serial Line V1.02 sections 2.4 and 2.5.1. What lines, adapters and busy machines do to the bytes:
common practice, no source.
"""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core import rtu
from aggregator.core.serial_line import LATE, Heard, Kind, SerialLine, Wire

WIRE = Wire(9600)
READ = rtu.sealed(bytes.fromhex("01 03 00 00 00 02"))
WRITE = rtu.sealed(bytes.fromhex("01 06 00 01 00 03"))
ALL_WRITE = rtu.sealed(bytes.fromhex("00 06 00 01 00 03"))
OTHER_READ = rtu.sealed(bytes.fromhex("09 03 00 6B 00 03"))
OTHER_ANSWER = rtu.sealed(bytes.fromhex("09 03 06 02 2B 00 00 00 64"))
# Another server's answer of ten bytes, eight of which are a whole request to us.
HIDING = rtu.sealed(bytes((9, 3, 10)) + WRITE + bytes(2))


class Bus:
    """A line, its instants, and all that came of it."""

    def __init__(self, *units: int, quiet: bool = True) -> None:
        self.at = 100.0
        self.line = SerialLine(frozenset(units or (1,)), WIRE)
        self.heard: list[Heard] = []
        self.line.opened(self.at)
        if quiet:
            self.wait()

    def say(self, *portions: bytes, apart: float = 0.0) -> Bus:
        """Bytes as the driver hands them over; between portions nobody had the time to look for silence."""
        for portion in portions:
            self.heard += self.line.receive(portion, self.at)
            self.at += apart
        return self

    def wait(self) -> Bus:
        """Silence, watched for as long as the line wants it."""
        while self.line.due is not None:
            self.at = max(self.at, self.line.due)
            self.heard += self.line.silence(self.at)
        return self

    def of(self, kind: Kind) -> list[bytes]:
        return [each.frame for each in self.heard if each.kind is kind]

    @property
    def requests(self) -> list[bytes]:
        return self.of(Kind.REQUEST)


# MODBUS over Serial Line V1.02 section 2.5.1.1: 3.5 characters of 11 bits; above 19200 baud 1.750 ms.
@pytest.mark.parametrize(
    ("baud", "silence"),
    [(300, 128.333), (1200, 32.083), (2400, 16.042), (4800, 8.0208), (9600, 4.0104), (19200, 2.0052), (38400, 1.75)],
)
def test_frames_are_parted_by_three_and_a_half_characters(baud: int, silence: float) -> None:
    assert Wire(baud).silence * 1000 == pytest.approx(silence, rel=1e-3)
    assert Wire(115200).silence == 0.00175
    assert Wire(9600, parity=False).character == pytest.approx(10 / 9600)
    assert Wire(9600, parity=False, stop_bits=2).character == pytest.approx(11 / 9600)


def test_a_request_is_answered_after_three_and_a_half_characters_of_silence() -> None:
    bus = Bus().say(READ)
    assert bus.heard == []
    assert bus.line.due == pytest.approx(bus.at + WIRE.silence)
    assert bus.wait().heard == [Heard(Kind.REQUEST, READ)]


def test_a_longer_turnaround_is_kept_where_it_was_asked_for() -> None:
    line = SerialLine(frozenset((1,)), WIRE, turnaround=0.05)
    line.opened(0.0)
    line.silence(1.0)
    line.receive(READ, 2.0)
    assert line.due == pytest.approx(2.05)


def test_a_gap_that_nobody_watched_is_no_end_of_a_frame() -> None:
    for cut in range(1, len(READ)):
        assert Bus().say(READ[:cut], READ[cut:], apart=1.0).wait().heard == [Heard(Kind.REQUEST, READ)]


def test_half_a_request_ends_with_watched_silence_and_the_next_one_is_answered() -> None:
    bus = Bus().say(READ[:5])
    assert bus.line.due == pytest.approx(bus.at + WIRE.silence + LATE)
    assert bus.wait().say(WRITE).wait().heard == [Heard(Kind.NOISE, READ[:5]), Heard(Kind.REQUEST, WRITE)]


def test_half_a_frame_outlives_the_16_ms_that_an_adapter_may_keep_the_rest_for() -> None:
    """As some USB adapters do by default (common practice, no source)."""
    line = SerialLine(frozenset((1,)), Wire(115200))
    line.opened(0.0)
    line.silence(1.0)
    line.receive(READ[:5], 2.0)
    assert line.due is not None
    assert line.due - 2.0 > 0.016


def test_a_wrong_crc_is_answered_by_nothing_and_costs_no_other_request() -> (
    None
):  # V1.02 section 2.4.2, V1.1b3 section 7
    wrong = READ[:-1] + bytes((READ[-1] ^ 1,))
    bus = Bus().say(wrong).wait().say(READ).wait()
    assert bus.heard == [Heard(Kind.NOISE, wrong), Heard(Kind.REQUEST, READ)]


def test_everybody_s_request_and_ours_are_heard_and_another_s_is_not_ours() -> None:
    bus = Bus(1, 2).say(ALL_WRITE).wait().say(OTHER_READ).say(OTHER_ANSWER).wait().say(READ).wait()
    assert bus.requests == [ALL_WRITE, READ]
    assert bus.of(Kind.OTHERS) == [OTHER_READ, OTHER_ANSWER]


def test_gaps_that_got_lost_between_frames_are_not_missed() -> None:
    bus = Bus().say(OTHER_READ + OTHER_ANSWER + READ).wait()
    assert bus.heard == [Heard(Kind.OTHERS, OTHER_READ), Heard(Kind.OTHERS, OTHER_ANSWER), Heard(Kind.REQUEST, READ)]


@pytest.mark.parametrize("cut", range(1, len(HIDING)))
@pytest.mark.parametrize("asked", [True, False])
def test_a_request_that_stands_inside_another_s_answer_is_never_ours(cut: int, asked: bool) -> None:
    bus = Bus().say(OTHER_READ if asked else b"").say(HIDING[:cut], HIDING[cut:], apart=0.015).wait()
    assert bus.requests == bus.of(Kind.OVERTAKEN) == []
    assert HIDING in bus.of(Kind.OTHERS)


def test_an_answer_that_begins_as_a_request_hides_nothing_for_us() -> None:
    begins = rtu.sealed(bytes.fromhex("09 03 0E 00 00 01"))
    answer = rtu.sealed(begins + READ + b"\x07")  # 0E counts fourteen bytes: the five that are left, READ, and one
    assert len(answer) == 5 + 14
    bus = Bus().say(OTHER_READ).say(answer).wait().say(WRITE).wait()
    assert bus.heard == [Heard(Kind.OTHERS, OTHER_READ), Heard(Kind.OTHERS, answer), Heard(Kind.REQUEST, WRITE)]


def test_nothing_is_carried_out_where_more_follows_than_a_stray_byte() -> None:
    assert Bus().say(READ + b"\xff").wait().requests == [READ]
    two = Bus().say(READ + b"\xff\xff").wait()
    assert two.requests == []
    assert two.of(Kind.NOISE) == [b"\xff\xff"]


def test_a_request_that_the_line_has_gone_on_from_is_overtaken() -> None:
    bus = Bus().say(READ + WRITE).wait()
    assert bus.heard == [Heard(Kind.OVERTAKEN, READ), Heard(Kind.REQUEST, WRITE)]
    bus = Bus().say(READ + OTHER_READ).wait()
    assert bus.heard == [Heard(Kind.OVERTAKEN, READ), Heard(Kind.OTHERS, OTHER_READ)]


def test_another_s_dead_server_does_not_hold_our_request_back() -> None:
    """A read from address FA00 would be the head of an answer of 250 bytes, were it one."""
    far = rtu.sealed(bytes.fromhex("09 03 FA 00 00 01"))
    bus = Bus().say(far).wait().say(far).wait().say(READ).wait()
    assert bus.heard == [Heard(Kind.OTHERS, far), Heard(Kind.OTHERS, far), Heard(Kind.REQUEST, READ)]


def test_an_exception_under_our_address_is_no_request() -> None:
    assert Bus().say(rtu.sealed(bytes.fromhex("01 83 02"))).wait().requests == []


def test_what_is_heard_before_the_first_silence_may_be_the_end_of_something() -> None:
    bus = Bus(quiet=False).say(OTHER_ANSWER[3:] + READ).wait()
    assert bus.requests == []
    assert bus.say(READ).wait().requests == [READ]


def test_a_frame_of_a_length_its_function_has_not_is_a_request_all_the_same() -> None:
    long = rtu.sealed(bytes.fromhex("01 03 00 00 00 02 00"))
    assert Bus().say(long).wait().requests == [long]


def test_noise_of_any_length_is_forgotten() -> None:
    bus = Bus()
    for _ in range(100):
        bus.say(random.Random(1).randbytes(4096))
    (noise,) = bus.wait().of(Kind.NOISE)
    assert len(noise) == 257
    assert bus.say(READ).wait().requests == [READ]


def answered(bus: Bus, answer: bytes, request: bytes) -> Bus:
    bus.say(request).wait()
    bus.line.sent(answer, request, bus.at)
    return bus


@pytest.mark.parametrize("cut", range(len(OTHER_ANSWER)))
def test_our_own_answer_that_comes_back_is_not_listened_to(cut: int) -> None:
    answer = rtu.sealed(bytes.fromhex("01 03 04 00 00 00 01"))
    bus = answered(Bus(), answer, READ).say(answer[:cut], answer[cut:] + WRITE).wait()
    assert bus.heard == [Heard(Kind.REQUEST, READ), Heard(Kind.REQUEST, WRITE)]
    assert bus.line.hears_itself
    answered(bus, WRITE, WRITE).say(WRITE).wait()
    assert bus.requests == [READ, WRITE, WRITE]
    bus.say(WRITE).wait()  # it comes back once only
    assert bus.requests == [READ, WRITE, WRITE, WRITE]


def test_a_write_answered_over_an_adapter_that_hands_it_back_is_not_answered_again() -> None:
    bus = answered(Bus(), WRITE, WRITE).say(WRITE).wait()
    assert bus.requests == [WRITE]
    bus.at += 1.0
    assert bus.say(WRITE).wait().requests == [WRITE, WRITE]


def test_a_repeated_write_is_answered_at_once_where_the_adapter_hands_nothing_back() -> None:
    answer = rtu.sealed(bytes.fromhex("01 03 04 00 00 00 01"))
    bus = answered(Bus(), answer, READ).say(WRITE).wait()
    assert bus.line.hears_itself is False
    bus.line.sent(WRITE, WRITE, bus.at)
    assert bus.say(WRITE).wait().requests == [READ, WRITE, WRITE]


def test_an_echo_that_was_cut_short_costs_one_request_at_most() -> None:
    answer = rtu.sealed(bytes.fromhex("01 03 04 00 00 00 01"))
    bus = answered(Bus(), answer, READ).say(answer[:4]).wait().say(WRITE).wait()
    assert bus.requests == [READ, WRITE]


bursts = st.lists(
    st.one_of(
        st.sampled_from([READ, WRITE, ALL_WRITE, OTHER_READ, OTHER_ANSWER, HIDING, OTHER_READ + HIDING + READ]),
        st.binary(min_size=1, max_size=20),
        st.binary(max_size=4).map(lambda noise: noise + READ),
        st.binary(max_size=4).map(lambda noise: READ + noise),
    ),
    max_size=8,
)


@given(bursts, st.randoms(use_true_random=False))
def test_any_split_into_portions_gives_the_same_frames(bursts: list[bytes], chance: random.Random) -> None:
    """A burst is what is heard between two silences; in how many portions it comes makes no difference."""
    whole, split = Bus(), Bus()
    for burst in bursts:
        cuts = sorted({0, len(burst), *(chance.randint(0, len(burst)) for _ in range(chance.randint(0, 20)))})
        whole.say(burst).wait()
        split.say(*(burst[begin:end] for begin, end in pairwise(cuts)), apart=chance.choice((0.0, 0.001, 0.015))).wait()
    assert split.heard == whole.heard


@given(st.lists(st.binary(min_size=1, max_size=300), max_size=20))
def test_whatever_is_heard_a_request_after_silence_is_answered(noise: list[bytes]) -> None:
    bus = Bus()
    for each in noise:
        bus.say(each)
    assert bus.wait().say(READ).wait().heard[-1] == Heard(Kind.REQUEST, READ)
    assert bus.line.due is None
