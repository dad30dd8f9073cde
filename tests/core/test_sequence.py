"""Frame counters: heard twice, late, lost, begun anew."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.sequence import OVERTAKEN, REMEMBERED, SAME_FRAME, SESSIONS, Arrival, Sequence

NEW, DUPLICATE, LATE, RESTARTED = Arrival.NEW, Arrival.DUPLICATE, Arrival.LATE, Arrival.RESTARTED


def places(*uplinks: tuple[int | None, float]) -> tuple[Sequence, list[Arrival]]:
    sequence = Sequence()
    return sequence, [sequence.place(counter, heard) for counter, heard in uplinks]


def test_one_frame_heard_by_two_radios_counts_once() -> None:
    """TS001 section 4.3.1.1, from memory: every radio hands on the same counter."""
    sequence, found = places((100, 0.0), (100, 0.4), (101, 900.0), (101, 900.0))
    assert found == [NEW, DUPLICATE, NEW, DUPLICATE]
    assert (sequence.last, sequence.lost) == (101, 0)


def test_a_gap_counts_as_lost() -> None:
    sequence, _ = places((7, 0.0), (8, 900.0), (12, 4500.0))
    assert sequence.lost == 3


def test_a_late_frame_is_told_and_no_longer_lost() -> None:
    sequence, found = places((7, 0.0), (9, 1800.0), (8, 900.0))
    assert found == [NEW, NEW, LATE]
    assert (sequence.last, sequence.lost) == (9, 0)


def test_a_late_frame_from_before_the_first_takes_nothing_off() -> None:
    sequence, found = places((7, 900.0), (6, 0.0))
    assert found == [NEW, LATE]
    assert sequence.lost == 0


def test_a_late_frame_heard_twice_counts_once() -> None:
    sequence, found = places((7, 0.0), (10, 2700.0), (8, 900.0), (8, 900.0))
    assert found[2:] == [LATE, DUPLICATE]
    assert sequence.lost == 1


def test_a_frame_that_was_overtaken_on_its_way_is_late_and_no_new_session() -> None:
    _, found = places((20, 100.0), (20 - OVERTAKEN, 130.0))
    assert found == [NEW, LATE]


def test_a_lower_counter_heard_clearly_later_is_a_node_that_began_anew() -> None:
    """After a join the counter starts at 0 (TS001 section 6.2, from memory)."""
    sequence, found = places((70000, 0.0), (0, 900.0), (1, 1800.0))
    assert found == [NEW, RESTARTED, NEW]
    assert (sequence.last, sequence.lost) == (1, 0)


def test_a_counter_seen_before_a_restart_is_new_after_it() -> None:
    _, found = places((0, 0.0), (1, 900.0), (0, 1800.0), (1, 2700.0))
    assert found == [NEW, NEW, RESTARTED, NEW]


def test_the_same_counter_much_later_is_another_frame() -> None:
    """A node that is switched off and on again after its first uplink sends counter 0 twice."""
    _, found = places((0, 0.0), (0, SAME_FRAME))
    assert found == [NEW, RESTARTED]


def test_a_replayed_frame_with_its_own_time_stays_a_duplicate_for_ever() -> None:
    _, found = places((5, 100.0), (5, 100.0), (6, 1000.0), (5, 100.0))
    assert found == [NEW, DUPLICATE, NEW, DUPLICATE]


@pytest.mark.parametrize(("last", "next_"), [(0xFFFF, 0x10000), (0x1FFFE, 0x1FFFF), (0x1FFFF, 0x20000)])
def test_the_32_bit_counter_runs_on_where_its_16_bits_on_air_wrap(last: int, next_: int) -> None:
    """TS001 as in the reference end-node stack, verified: the 32-bit counts on both sides of a wrap on air."""
    sequence, found = places((last, 0.0), (next_, 900.0))
    assert found == [NEW, NEW]
    assert sequence.lost == 0


def test_nothing_is_rebuilt_from_16_bits() -> None:
    """Last 70000, on air 4463: the reference stack makes 135535 of this late frame (verified), wrong by 65536."""
    sequence, found = places((70000, 900.0), (69999, 0.0))
    assert found == [NEW, LATE]
    assert sequence.last == 70000


def test_a_node_without_counters_is_always_new() -> None:
    sequence, found = places((None, 0.0), (None, 0.0))
    assert found == [NEW, NEW]
    assert sequence.last is None


def test_only_the_last_few_counters_are_remembered() -> None:
    sequence, _ = places(*((counter, 900.0 * counter) for counter in range(3 * REMEMBERED)))
    assert REMEMBERED <= len(sequence._frames) < 2 * REMEMBERED


@given(st.integers(1, 40), st.integers(0, 2**32))
def test_shuffled_and_doubled_delivery_ends_where_clean_delivery_ends(count: int, seed: int) -> None:
    chance = random.Random(seed)
    sent = [(counter, 900.0 * counter) for counter in range(100, 100 + count) if chance.random() > 0.3]
    radio_day = sent + [uplink for uplink in sent if chance.random() < 0.3]
    chance.shuffle(radio_day)
    clean, _ = places(*sent)
    messy, found = places(*radio_day)
    assert (messy.last, messy.heard) == (clean.last, clean.heard)
    assert found.count(DUPLICATE) == len(radio_day) - len(sent)
    assert RESTARTED not in found


@given(st.permutations([counter for counter in range(2, 13) if counter % 5]))
def test_losses_do_not_depend_on_the_order_of_delivery(order: list[int]) -> None:
    sequence, _ = places((1, 900.0), *((counter, 900.0 * counter) for counter in order))
    assert sequence.lost == len({5, 10})


# Set aside, and back


def test_an_uplink_that_could_not_be_read_is_neither_lost_nor_a_double_when_it_comes_back() -> None:
    sequence, _ = places((1, 0.0), (2, 900.0))
    sequence.forget(2, 900.0)
    assert sequence.lost == 0
    assert sequence.place(2, 900.0) is NEW
    assert (sequence.last, sequence.lost) == (2, 0)


def test_one_that_comes_back_after_newer_ones_is_late_and_takes_no_loss_of_another_away() -> None:
    sequence, _ = places((1, 0.0), (2, 900.0))
    sequence.forget(2, 900.0)
    sequence.place(4, 2700.0)
    assert sequence.lost == 1  # 3 never came
    assert sequence.place(2, 900.0) is LATE
    assert sequence.lost == 1


def test_one_that_a_restart_made_look_lost_is_found_again() -> None:
    sequence = Sequence()
    sequence.resume(1, 0.0)
    sequence.place(4, 2700.0)
    assert sequence.lost == 2
    assert [sequence.place(2, 900.0), sequence.place(3, 1800.0)] == [LATE, LATE]
    assert sequence.lost == 0


def test_one_of_a_session_that_has_ended_since_is_late_and_moves_nothing() -> None:
    """Its counter is higher than those of the new session, or even equal to one of them."""
    sequence, found = places((500, 0.0), (0, 10_000.0), (1, 10_900.0))
    assert found == [NEW, RESTARTED, NEW]
    assert [sequence.place(501, 900.0), sequence.place(1, 1800.0)] == [LATE, LATE]
    assert (sequence.last, sequence.heard, sequence.lost) == (1, 10_900.0, 0)
    assert sequence.place(2, 11_800.0) is NEW


def test_one_that_is_newer_than_all_that_was_read_is_new() -> None:
    sequence, _ = places((1, 0.0))
    assert sequence.place(2, 900.0) is NEW
    assert sequence.place(2, 900.0) is DUPLICATE
    assert sequence.last == 2


# Sessions


def in_sessions(*uplinks: tuple[int, float, str]) -> tuple[Sequence, list[Arrival]]:
    sequence = Sequence()
    return sequence, [sequence.place(counter, heard, session) for counter, heard, session in uplinks]


def test_a_lower_counter_in_a_new_session_is_a_rejoin_however_soon_it_comes() -> None:
    """After a join FCntUp begins at 0 and the DevAddr is another one (TS001-1.0.4 section 6.2, from memory)."""
    sequence, found = in_sessions((5, 0.0, "26011bda"), (0, 10.0, "26011bdb"), (1, 20.0, "26011bdb"))
    assert found == [NEW, RESTARTED, NEW]
    assert (sequence.session, sequence.lost) == ("26011bdb", 0)
    assert sequence.sessions == [("26011bda", 0.0), ("26011bdb", 10.0)]


def test_a_higher_counter_in_a_new_session_is_a_rejoin_too_and_nothing_is_lost_between() -> None:
    sequence, found = in_sessions((5, 0.0, "a"), (9, 900.0, "b"))
    assert found == [NEW, RESTARTED]
    assert sequence.lost == 0


def test_a_lower_counter_in_the_same_session_is_never_news_however_late_it_comes() -> None:
    """Without the session it would be taken for a node that began anew."""
    sequence, found = in_sessions((100, 0.0, "a"), (40, 90_000.0, "a"))
    assert found == [NEW, LATE]
    assert places((100, 0.0), (40, 90_000.0))[1] == [NEW, RESTARTED]
    assert sequence.last == 100


def test_a_frame_that_is_sent_once_more_in_its_session_is_a_duplicate_at_any_time() -> None:
    _, found = in_sessions((100, 0.0, "a"), (101, 900.0, "a"), (100, 90_000.0, "a"))
    assert found == [NEW, NEW, DUPLICATE]


def test_a_frame_of_the_session_that_has_ended_comes_late_even_if_it_is_heard_last() -> None:
    sequence, found = in_sessions((100, 0.0, "a"), (0, 10.0, "b"), (101, 5.0, "a"), (102, 60.0, "a"))
    assert found == [NEW, RESTARTED, LATE, LATE]
    assert (sequence.last, sequence.session) == (0, "b")


def test_the_same_counter_in_two_sessions_is_two_frames() -> None:
    _, found = in_sessions((0, 0.0, "a"), (0, 5.0, "b"))
    assert found == [NEW, RESTARTED]


def test_a_frame_of_an_older_session_that_nobody_remembers_is_late_by_its_time() -> None:
    sequence, found = in_sessions((3, 9000.0, "b"), (70, 100.0, "a"))
    assert found == [NEW, LATE]
    assert (sequence.last, sequence.lost) == (3, 0)


def test_where_the_network_begins_to_tell_sessions_nothing_is_lost() -> None:
    sequence = Sequence()
    found = [sequence.place(7, 0.0), sequence.place(8, 900.0, "a"), sequence.place(9, 1800.0, "a")]
    assert found == [NEW, NEW, NEW]
    assert (sequence.session, sequence.lost) == ("a", 0)


def test_the_oldest_sessions_are_forgotten() -> None:
    sequence, _ = in_sessions(*((0, 900.0 * at, str(at)) for at in range(20)))
    assert [name for name, _ in sequence.sessions] == [str(at) for at in range(20 - SESSIONS, 20)]


# Clocks that were wrong


def test_a_newest_frame_that_was_dated_in_the_future_hides_no_later_one() -> None:
    """The gateway's clock was a year ahead when frame 5 came without a time of its own, and was set right since."""
    sequence = Sequence()
    sequence.place(5, 31e6, timed=False, now=31e6)
    assert sequence.place(6, 100.0, now=100.0) is NEW
    assert sequence.place(5000, 900.0, now=900.0) is NEW
    assert sequence.place(0, 1800.0, now=1800.0) is RESTARTED


def test_without_a_time_of_its_own_a_frame_that_is_sent_again_is_told_by_its_counter_alone() -> None:
    sequence = Sequence()
    found = [
        sequence.place(counter, heard, timed=False) for counter, heard in ((5, 0.0), (6, 900.0), (6, 940.0), (5, 950.0))
    ]
    assert found == [NEW, NEW, DUPLICATE, DUPLICATE]


# Sixteen bits


def in_sixteen_bits(*uplinks: tuple[int, float]) -> tuple[Sequence, list[int]]:
    sequence = Sequence(interval=900.0)
    counts = []
    for on_air, heard in uplinks:
        counts.append(sequence.full(on_air, heard))
        sequence.place(counts[-1], heard)
    return sequence, counts


@pytest.mark.parametrize(
    ("last", "on_air", "full"),
    [
        (0xFFFF, 0x0000, 0x10000),
        (0x1FFFE, 0xFFFF, 0x1FFFF),
        (0x1FFFF, 0x0000, 0x20000),
        (0x12345678, 0x5679, 0x12345679),
    ],
)
def test_the_full_count_is_rebuilt_from_what_goes_over_the_air(last: int, on_air: int, full: int) -> None:
    """TS001-1.0.4 section 4.3.1.5; the vectors as the reference end-node stack has them, verified by running it."""
    sequence = Sequence()
    sequence.place(last, 0.0)
    assert sequence.full(on_air, 900.0) == full
    assert sequence.place(full, 900.0) is NEW
    assert sequence.lost == 0


def test_a_late_frame_is_no_wrap() -> None:
    """Last 70000, on air 4463: the reference stack makes 135535 of it (verified), wrong by 65536."""
    sequence = Sequence()
    sequence.place(70000, 900.0)
    assert sequence.full(4463, 0.0) == 69999
    assert sequence.place(69999, 0.0) is LATE


def test_loss_is_right_across_the_wrap_and_a_late_frame_takes_it_back() -> None:
    sequence, counts = in_sixteen_bits((65533, 0.0), (65534, 900.0), (2, 4500.0), (0, 2700.0))
    assert counts == [65533, 65534, 65538, 65536]
    assert sequence.lost == 2  # 65535 and 65537


def test_a_counter_that_began_anew_just_before_the_wrap_is_no_wrap() -> None:
    """From 60000 the wrap is 5536 frames away, more than a node sends in a quarter of an hour."""
    sequence, counts = in_sixteen_bits((60000, 0.0), (0, 900.0), (1, 1800.0))
    assert counts == [60000, 0, 1]
    assert (sequence.last, sequence.lost) == (1, 0)


def test_a_wrap_during_a_long_silence_is_a_wrap() -> None:
    """Three days at one frame a quarter of an hour are 288 frames."""
    sequence, counts = in_sixteen_bits((65400, 0.0), (152, 288 * 900.0))
    assert counts == [65400, 65688]
    assert sequence.lost == 287


def test_a_counter_that_begins_anew_after_a_wrap_begins_at_its_own_count() -> None:
    _, counts = in_sixteen_bits((65535, 0.0), (0, 900.0), (1, 1800.0), (0, 2700.0))
    assert counts == [65535, 65536, 65537, 0]


def test_a_doubled_frame_keeps_its_full_count() -> None:
    sequence, _ = in_sixteen_bits((65535, 0.0), (0, 900.0))
    assert sequence.full(0, 900.4) == 65536
    assert sequence.place(65536, 900.4) is DUPLICATE


def test_a_new_session_begins_at_its_own_count() -> None:
    sequence = Sequence()
    sequence.place(70000, 0.0, "a")
    assert sequence.full(2, 5.0, "b") == 2
    assert sequence.full(4465, 5.0, "a") == 70001


@given(st.integers(0, 2**32 - 1 - 2**15), st.integers(1, 60))
def test_every_count_is_rebuilt_from_its_low_bits_while_fewer_than_half_of_them_are_lost(last: int, step: int) -> None:
    sequence = Sequence()
    sequence.place(last, 0.0)
    assert sequence.full((last + step) & 0xFFFF, 900.0) == last + step


# Any order


@st.composite
def lives(draw: st.DrawFn) -> list[tuple[int, float]]:
    """The frames of a node that loses some and begins anew now and then, in the order they were heard."""
    frames, heard, counter = [], 0.0, draw(st.integers(0, 100))
    for _ in range(draw(st.integers(1, 40))):
        heard += 900.0
        anew = draw(st.integers(0, 9)) == 0
        counter = draw(st.integers(0, 2)) if anew else counter + draw(st.integers(1, 4))
        frames.append((counter, heard))
    return frames


@given(lives(), st.randoms(use_true_random=False), st.booleans())
def test_in_whatever_order_frames_come_they_end_the_same(
    frames: list[tuple[int, float]], chance: random.Random, known: bool
) -> None:
    """The newest, what is lost and the loss of a day; with sessions and without."""
    anew = [at for at, ((before, _), (after, _)) in enumerate(itertools.pairwise(frames)) if after <= before]
    sent = [(*frame, str(sum(each < at for each in anew)) if known else None) for at, frame in enumerate(frames)]
    messy = sent + [frame for frame in sent if chance.random() < 0.3]
    chance.shuffle(messy)
    clean, shuffled = Sequence(), Sequence()
    for counter, heard, session in sent:
        clean.place(counter, heard, session)
    found = [shuffled.place(counter, heard, session) for counter, heard, session in messy]
    for what in ("last", "heard", "lost", "session"):
        assert getattr(shuffled, what) == getattr(clean, what), what
    assert shuffled.loss.over_a_day() == clean.loss.over_a_day()
    assert found.count(DUPLICATE) == len(messy) - len(sent)
