"""Whether a reading agrees with what the meter's own display shows: proof that a node sits on the meter it is said to.

    declared         the profile's `agrees_within` of the field
    else             1 % of the field's range; without one 1 % of the reading; a counter: one step of its last place
    never less than  one step of the last place shown to people
    a counter        may have gone on meanwhile by as much as `fastest` lets it in the reading's age

1 % of the range is common practice, no source: displays and radio messages are rounded and never of one moment.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from aggregator.core.errors import CannotLink
from aggregator.core.profile import Field
from aggregator.core.reading import Reading, quality_words

USUAL = 0.01
EXACT = 1e-9  # of the figures compared; a decimal fraction is never exact in a float
UNCOMPARED = "only a number can be compared with a display"


class Bounds(NamedTuple):
    """How far a display may be below the reading and above it, in the field's unit."""

    below: float
    above: float


@dataclass(frozen=True, slots=True)
class Check:
    """One comparison: the display of a field showed `shows` to `who` at `at` (UTC s), when the reading was `read`.

    All in `unit`; the reading was `age` s old then, and the display may have been within `bounds` of it.
    """

    at: float
    who: str
    field: str
    shows: float
    read: float
    unit: str
    age: float
    bounds: Bounds

    @property
    def off(self) -> float:
        """How much more the display showed than the reading."""
        return self.shows - self.read

    @property
    def agrees(self) -> bool:
        """Whether display and reading agree."""
        slack = EXACT * max(abs(self.shows), abs(self.read), 1.0)
        return -self.bounds.below - slack <= self.off <= self.bounds.above + slack

    def __str__(self) -> str:
        """The comparison as people read it."""
        shows, read = self._amount(self.shows), self._amount(self.read)
        compared = f"{self.field}: the display shows {shows}, the node reads {read}"
        if self.agrees:
            return f"{compared}; they agree"
        way, allowed = ("above", self.bounds.above) if self.off > 0 else ("below", self.bounds.below)
        off = self._amount(abs(self.off))
        return f"{compared}; off by {off}, and up to {self._amount(allowed)} {way} the reading would agree"

    def _amount(self, value: float) -> str:
        return f"{value:.12g} {self.unit}".rstrip()


def bounds_of(field: Field, read: float, age: float) -> Bounds:
    """How far the display of a field may be from a reading that is `age` s old."""
    step = 10.0**-field.decimals
    counter = field.counting
    gone_on = (counter.fastest or 0.0) * age if counter is not None else 0.0
    if field.agrees_within is not None:
        usual = field.agrees_within
    elif counter is not None:
        usual = 0.0
    else:
        span = field.high - field.low
        usual = USUAL * (span if math.isfinite(span) else abs(read))
    return Bounds(max(step, usual), max(step, usual) + gone_on)


def compare(field: Field, reading: Reading, shows: float, age: float, who: str, at: float) -> Check:
    """Compare a display with a reading that is `age` s old. Raises CannotLink where that proves nothing."""
    if not math.isfinite(shows):
        raise CannotLink(f"{shows} is nothing that a display shows as {field.name}. Enter the number on it.")
    if isinstance(reading.value, bool | str):
        raise CannotLink(f"{field.name} is `{reading.value}`; {UNCOMPARED}. Enter another field.")
    if reading.value is None:
        why = quality_words(reading.reasons)
        raise CannotLink(f"{field.name} has no value to compare with ({why}). Enter another field.")
    bounds = bounds_of(field, reading.value, age)
    return Check(at, who, field.name, shows, reading.value, field.unit, age, bounds)
