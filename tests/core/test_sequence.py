"""Frame counters: heard twice, late, lost, begun anew."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.sequence import OVERTAKEN, REMEMBERED, SAME_FRAME, Arrival, Sequence

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
    assert len(sequence._recent) == REMEMBERED


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
    sequence.forget(2)
    assert sequence.lost == 0
    assert sequence.place(2, 900.0) is NEW
    assert (sequence.last, sequence.lost) == (2, 0)


def test_one_that_comes_back_after_newer_ones_is_late_and_takes_no_loss_of_another_away() -> None:
    sequence, _ = places((1, 0.0), (2, 900.0))
    sequence.forget(2)
    sequence.place(4, 2700.0)
    assert sequence.lost == 1  # 3 never came
    assert sequence.place_again(2, 900.0) is LATE
    assert sequence.lost == 1


def test_one_that_a_restart_made_look_lost_is_found_again() -> None:
    sequence = Sequence()
    sequence.resume(1, 0.0)
    sequence.place(4, 2700.0)
    assert sequence.lost == 2
    assert [sequence.place_again(2, 900.0), sequence.place_again(3, 1800.0)] == [LATE, LATE]
    assert sequence.lost == 0


def test_one_of_a_session_that_has_ended_since_is_late_and_moves_nothing() -> None:
    """Its counter is higher than those of the new session, or even equal to one of them."""
    sequence, found = places((500, 0.0), (0, 10_000.0), (1, 10_900.0))
    assert found == [NEW, RESTARTED, NEW]
    assert [sequence.place_again(501, 900.0), sequence.place_again(1, 1800.0)] == [LATE, LATE]
    assert (sequence.last, sequence.heard, sequence.lost) == (1, 10_900.0, 0)
    assert sequence.place(2, 11_800.0) is NEW


def test_one_that_is_newer_than_all_that_was_read_is_new() -> None:
    sequence, _ = places((1, 0.0))
    assert sequence.place_again(2, 900.0) is NEW
    assert sequence.place_again(2, 900.0) is DUPLICATE
    assert sequence.last == 2
