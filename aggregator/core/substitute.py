"""A value that a technician enters by hand in place of a field's readings, until a time.

The readings go on beneath it: they are judged, age and count as ever, and are shown again when it ends. What is shown
meanwhile is the value entered, as old as its entry, and never good.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from aggregator.core.errors import CannotSubstitute
from aggregator.core.profile import Field
from aggregator.core.reading import Now, Reading, Reason, Times

SUBSTITUTED = int(Reason.SUBSTITUTED)
UNDER_TEST = int(Reason.UNDER_TEST)
LONGEST = 90 * 86400.0  # s; what has to stand in for longer is a meter to be mended


class Substitute(NamedTuple):
    """`value` in the field's unit, entered by `who`, from `since` to `until` (UTC s).

    `began` and `ends` are the same on the monotonic clock, which alone decides within a run.
    """

    value: float
    who: str
    why: str
    since: float
    until: float
    began: float
    ends: float

    def as_kept(self, unit: str) -> dict[str, object]:
        """What has to be remembered of it over a restart."""
        kept = {"value": self.value, "unit": unit, "who": self.who, "why": self.why}
        return {**kept, "since": self.since, "until": self.until}


def entered(field: Field, value: float, lasts: float, who: str, why: str, now: Now) -> Substitute:
    """A substitute for `lasts` seconds from now on. Raises CannotSubstitute for what the field can't measure."""
    if not 0 < lasts <= LONGEST:
        raise CannotSubstitute(f"a substituted value holds for {LONGEST / 86400:g} d at most, and ends in the future.")
    low, high = field.can_show or (-math.inf, math.inf)
    low, high = max(low, field.low), min(high, field.high)
    if not low <= value <= high:
        given, bounds = f"{value:g} {field.unit}".rstrip(), _bounds(low, high, field.unit)
        raise CannotSubstitute(f"{given} is outside what {field.name} can measure, {bounds}.")
    if not math.isfinite(value):
        raise CannotSubstitute(f"{value} is no value for {field.name}.")
    return Substitute(value, who, why, now.utc, now.utc + lasts, now.monotonic, now.monotonic + lasts)


def _bounds(low: float, high: float, unit: str) -> str:
    """A range in words, also one that is open on a side: `0 to 650 mbar`, `0 m3 and above`."""
    if high == math.inf:
        return f"{low:g} {unit}".rstrip() + " and above"
    if low == -math.inf:
        return f"{high:g} {unit}".rstrip() + " and below"
    return f"{low:g} to {high:g} {unit}".rstrip()


def restored(kept: object, unit: str, now: Now) -> Substitute | None:
    """A substitute from before a restart, None where none was kept or the field's unit is another since.

    A clock that says it is not yet entered was never set: then it counts its whole time again, which is the most.
    """
    match kept:
        case {
            "value": int() | float() as value,
            "who": str() as who,
            "why": str() as why,
            "since": int() | float() as since,
            "until": int() | float() as until,
            "unit": kept_unit,
        } if kept_unit == unit:
            here = max(since, now.utc)
            known = here == now.utc
            began = now.monotonic - (now.utc - since if known else 0.0)
            return Substitute(value, who, why, since, until, began, now.monotonic + until - here)
    return None


def lay_over(readings: Sequence[Reading], substitutes: Mapping[int, Substitute], common: int) -> list[Reading]:
    """The readings with the values entered by hand over them.

    Of the reasons that are common to the meter's readings only a test says something of a value that is none of them.
    """
    shown = list(readings)
    for index, each in substitutes.items():
        times = Times(each.since, None, each.since, each.began)
        shown[index] = Reading(each.value, SUBSTITUTED | common & UNDER_TEST, times)
    return shown
