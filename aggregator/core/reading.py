"""A reading: a field's value, how far it can be trusted, and its times.

The status word, one register, as plant software sees it:

      15      14       13       12      11      10       9      8       7      6      5      4      3     2     1 0
    +-------+-------+----------+-------+-------+--------+-------+------+------+------+------+------+-----+-----+-----+
    |incom- |clamped|under test|low    |subst- |restored|node   |decode|sensor|stuck |jumped|out of|stale|never|grade|
    |plete  |       |          |battery|ituted |        |clock  |failed|fault |      |      |range |     |seen |     |
    +-------+-------+----------+-------+-------+--------+-------+------+------+------+------+------+-----+-----+-----+

Grade: 1 good, 2 uncertain, 3 bad. It is never 0 where a meter stands: gaps and spare slots read as zero, and a
zero must not pass for "all is well".
"""

from __future__ import annotations

from enum import IntEnum, IntFlag
from typing import NamedTuple

MINUTE, HOUR, DAY = 60, 3600, 86400  # s

Value = int | float | str
"""What a field can hold: a number in the field's own unit, or a short text."""


class Fault(NamedTuple):
    """What a meter sends in place of a value: a code of its own, in the words of its manual."""

    words: str


NO_VALUE = Fault("no value")


class Now(NamedTuple):
    """The present, given to the core by whoever calls it.

    `monotonic` (s) never jumps and times everything; `utc` (s since 1970-01-01) only dates things.
    """

    monotonic: float
    utc: float


class Grade(IntEnum):
    """How far to trust a reading. The numbers are the two lowest bits of the status word."""

    GOOD = 1
    UNCERTAIN = 2
    BAD = 3


class Reason(IntFlag):
    """Why a reading is less than good. Each value is the reason's bit in the status word."""

    NONE = 0
    NEVER_SEEN = 1 << 2
    STALE = 1 << 3
    OUT_OF_RANGE = 1 << 4
    JUMPED = 1 << 5
    STUCK = 1 << 6
    SENSOR_FAULT = 1 << 7
    DECODE_FAILED = 1 << 8
    NODE_CLOCK_OFF = 1 << 9
    RESTORED = 1 << 10
    SUBSTITUTED = 1 << 11
    LOW_BATTERY = 1 << 12
    UNDER_TEST = 1 << 13
    CLAMPED = 1 << 14
    INCOMPLETE = 1 << 15


# Out of range is only uncertain, never bad: a bad value is hidden behind NaN, and the largest leak of all must not be.
BAD = int(Reason.NEVER_SEEN | Reason.SENSOR_FAULT)
GOOD_ALL_THE_SAME = int(Reason.LOW_BATTERY | Reason.NODE_CLOCK_OFF)
UNCERTAIN = int(~Reason.NONE) & ~BAD & ~GOOD_ALL_THE_SAME

REASON_WORDS: dict[Reason, str] = {
    Reason.NEVER_SEEN: "no uplink has carried this value yet",
    Reason.STALE: "older than it may be",
    Reason.OUT_OF_RANGE: "outside the range the meter can measure",
    Reason.JUMPED: "changed faster than the field can",
    Reason.STUCK: "unchanged for longer than the field can stand still",
    Reason.SENSOR_FAULT: "the meter reports a fault of its own",
    Reason.DECODE_FAILED: "the last uplink could not be decoded; the value is from the one before",
    Reason.NODE_CLOCK_OFF: "the node's clock is not believable; age counts from reception",
    Reason.RESTORED: "kept from before the last restart",
    Reason.SUBSTITUTED: "entered by hand",
    Reason.LOW_BATTERY: "the node's battery is low",
    Reason.UNDER_TEST: "a technician holds the meter in test",
    Reason.CLAMPED: "does not fit the register and shows the nearest value that does",
    Reason.INCOMPLETE: "computed from less of its window than declared",
}


def grade_of(reasons: int) -> Grade:
    """The grade that follows from a set of reason bits.

    >>> grade_of(0).name, grade_of(Reason.STALE).name, grade_of(Reason.SENSOR_FAULT | Reason.STALE).name
    ('GOOD', 'UNCERTAIN', 'BAD')
    """
    if reasons & BAD:
        return Grade.BAD
    if reasons & UNCERTAIN:
        return Grade.UNCERTAIN
    return Grade.GOOD


def status_word(reasons: int) -> int:
    """The 16-bit status word of a set of reasons: the reason bits with the grade below them."""
    if reasons & BAD:
        return reasons | 3
    if reasons & UNCERTAIN:
        return reasons | 2
    return reasons | 1


def reasons_in(word: int) -> list[Reason]:
    """The reasons a status word gives, lowest bit first."""
    return [reason for reason in REASON_WORDS if word & reason]


def quality_words(reasons: int) -> str:
    """Grade and reasons as people read them.

    >>> quality_words(Reason.STALE | Reason.OUT_OF_RANGE)
    'uncertain: stale, out of range'
    """
    words = [reason_word(reason) for reason in reasons_in(reasons)]
    grade = grade_of(reasons).name.lower()
    return f"{grade}: {', '.join(words)}" if words else grade


def reason_word(reason: Reason) -> str:
    """A reason's name as people read it: `out of range`."""
    return (reason.name or "").lower().replace("_", " ")


def span_words(seconds: float) -> str:
    """A length of time as people read it.

    >>> span_words(40), span_words(3120), span_words(11100), span_words(200000)
    ('40 s', '52 min', '3 h 05 min', '2 d 07 h')
    """
    whole = int(seconds)
    if whole < 2 * MINUTE:
        return f"{whole} s"
    if whole < 2 * HOUR:
        return f"{whole // MINUTE} min"
    if whole < 2 * DAY:
        return f"{whole // HOUR} h {whole % HOUR // MINUTE:02d} min"
    return f"{whole // DAY} d {whole % DAY // HOUR:02d} h"


class Times(NamedTuple):
    """When a reading was taken, all in seconds.

    `observed` (the node measured), `received` (the network heard) and `arrived` (here) are UTC, None where nobody
    said. `since` is the monotonic instant that age counts from: the earliest of them that can be believed.
    """

    observed: float | None
    received: float | None
    arrived: float
    since: float


class Reading(NamedTuple):
    """One field's value with its reasons and times. `times` is None until the field has been seen."""

    value: Value | None
    reasons: int
    times: Times | None


NEVER = Reading(None, int(Reason.NEVER_SEEN), None)
