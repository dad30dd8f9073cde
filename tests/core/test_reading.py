"""Grades and status words: what plant software reads beside every value."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.reading import (
    NEVER,
    REASON_WORDS,
    Grade,
    Reason,
    grade_of,
    quality_words,
    reasons_in,
    status_word,
)

EVERY_REASON = [reason for reason in Reason if reason]
SETS = st.sets(st.sampled_from(EVERY_REASON)).map(lambda reasons: sum(int(reason) for reason in reasons))

BAD = {Reason.NEVER_SEEN, Reason.SENSOR_FAULT}
GOOD = {Reason.LOW_BATTERY, Reason.NODE_CLOCK_OFF}


@pytest.mark.parametrize("reason", EVERY_REASON, ids=lambda reason: reason.name.lower())
def test_each_reason_alone_gives_its_grade(reason: Reason) -> None:
    expected = Grade.BAD if reason in BAD else Grade.GOOD if reason in GOOD else Grade.UNCERTAIN
    assert grade_of(reason) is expected


def test_a_reading_without_reasons_is_good() -> None:
    assert grade_of(0) is Grade.GOOD
    assert status_word(0) == 0x0001


def test_a_reading_never_seen_is_bad_and_has_no_value() -> None:
    assert NEVER.value is None
    assert grade_of(NEVER.reasons) is Grade.BAD


@given(SETS)
def test_the_worst_reason_decides(reasons: int) -> None:
    worst = max((grade_of(reason) for reason in EVERY_REASON if reasons & reason), default=Grade.GOOD)
    assert grade_of(reasons) is worst


@given(SETS)
def test_a_status_word_is_never_zero_and_holds_grade_and_reasons(reasons: int) -> None:
    """Gaps and spare slots read as zero, so a zero word must never mean good."""
    word = status_word(reasons)
    assert 0 < word < 0x10000
    assert word & 3 == grade_of(reasons)
    assert word & ~3 == reasons


@pytest.mark.parametrize(
    ("reasons", "word"),
    [
        (Reason.NEVER_SEEN, 0x0007),
        (Reason.STALE, 0x000A),
        (Reason.OUT_OF_RANGE, 0x0012),
        (Reason.SENSOR_FAULT | Reason.STALE, 0x008B),
        (Reason.DECODE_FAILED, 0x0102),
        (Reason.NODE_CLOCK_OFF, 0x0201),
        (Reason.UNDER_TEST, 0x2002),
        (Reason.CLAMPED, 0x4002),
    ],
)
def test_status_words_are_those_that_the_register_list_promises(reasons: Reason, word: int) -> None:
    assert status_word(reasons) == word


@given(SETS)
def test_a_status_word_tells_its_reasons_in_words(reasons: int) -> None:
    told = reasons_in(status_word(reasons))
    assert sum(told) == reasons
    assert told == sorted(told)
    assert all(REASON_WORDS[reason] for reason in told)


def test_every_reason_has_words() -> None:
    assert list(REASON_WORDS) == EVERY_REASON


@pytest.mark.parametrize(
    ("reasons", "words"),
    [
        (0, "good"),
        (Reason.LOW_BATTERY, "good: low battery"),
        (Reason.STALE | Reason.OUT_OF_RANGE, "uncertain: stale, out of range"),
        (Reason.NEVER_SEEN, "bad: never seen"),
    ],
)
def test_quality_reads_as_words(reasons: int, words: str) -> None:
    assert quality_words(reasons) == words
