"""Fields that no meter sends: worked out, at each uplink, from the readings that came.

    average_of    time-weighted average of a field over a window            exposure.py
    covered_of    how much of that window samples really cover, %
    highest_of    the highest value in a window
    mixture_of    gases that act alike: each field over its limit, summed

A computed reading is of the time of the readings it stands on and as good as they are. An average whose window is
covered by less than declared says so (`incomplete`): after a start, or where uplinks were lost.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from aggregator.core.exposure import Exposure, mixture
from aggregator.core.reading import Reading, Reason, Times

INCOMPLETE = int(Reason.INCOMPLETE)
SENSOR_FAULT = int(Reason.SENSOR_FAULT)
# What is of the one reading, and says nothing against a window full of them.
OF_THE_MOMENT = int(Reason.JUMPED | Reason.STUCK | Reason.STALE | Reason.RESTORED)


class How(StrEnum):
    """How a field is computed."""

    AVERAGE = "average"
    COVERED = "covered"
    HIGHEST = "highest"
    MIXTURE = "mixture"


@dataclass(frozen=True, slots=True)
class Computed:
    """What a field is computed from. `of` are field indexes, each before its own; a mixture has a `limit` for each.

    `over` (s) is the window; `covers_at_least` the share of it, 0 to 1, below which the result is incomplete.
    """

    how: How
    of: tuple[int, ...]
    over: float = 0.0
    covers_at_least: float = 0.0
    limits: tuple[float, ...] = ()


class Sample(NamedTuple):
    """One sample of a field from before a restart, or of a late uplink: the monotonic second and the value."""

    field: int
    at: float
    value: float | None


class Computing:
    """The computed fields of one meter, by index, and the samples they stand on. `holds` is how long (s) one holds."""

    __slots__ = ("_samples", "computed")

    def __init__(self, computed: dict[int, Computed], holds: Sequence[float]) -> None:
        self.computed = computed
        windows: dict[int, float] = {}
        for each in computed.values():
            if each.how is not How.MIXTURE:
                windows[each.of[0]] = max(windows.get(each.of[0], 0.0), each.over)
        self._samples = {index: Exposure(longest, holds[index]) for index, longest in windows.items()}

    @property
    def windows(self) -> dict[int, float]:
        """Field indexes, and over what time (s) samples of each are needed."""
        return {index: exposure.longest for index, exposure in self._samples.items()}

    def samples(self) -> Iterator[Sample]:
        """All that its fields stand on."""
        for index, exposure in self._samples.items():
            yield from (Sample(index, at, value) for at, value in exposure.samples())

    def add(self, samples: Iterable[Sample]) -> None:
        """Take samples that are not shown: those from before a restart, and those that came late."""
        for index, at, value in samples:
            if index in self._samples:
                self._samples[index].add(at, value)

    def carry_on(self, shown: Sequence[Reading], new: list[tuple[int, Reading]], times: Times) -> None:
        """Work out what stands on the readings of an uplink, and add it to them. `shown` is what was so far."""
        latest = dict(new)
        self.add(Sample(index, times.since, number_in(reading)) for index, reading in new)
        for index, each in self.computed.items():
            if any(source in latest for source in each.of):
                reading = self._reading(each, [latest.get(source, shown[source]) for source in each.of], times)
                latest[index] = reading
                new.append((index, reading))

    def _reading(self, each: Computed, sources: list[Reading], times: Times) -> Reading:
        reasons = 0
        for source in sources:
            reasons |= source.reasons
        if each.how is How.MIXTURE:
            values = [number_in(source) for source in sources]
            known = [value for value in values if value is not None]
            if len(known) < len(values):
                return Reading(None, reasons | SENSOR_FAULT, times)
            return Reading(mixture(zip(known, each.limits, strict=True)), reasons, times)
        samples, reasons = self._samples[each.of[0]], reasons & ~OF_THE_MOMENT
        value, covered = samples.average(each.over, times.since)
        if each.how is How.COVERED:
            return Reading(100 * covered, reasons & ~SENSOR_FAULT, times)
        if not covered and number_in(sources[0]) is None:
            return Reading(None, reasons | SENSOR_FAULT, times)
        reasons = reasons & ~SENSOR_FAULT | (INCOMPLETE if covered < each.covers_at_least else 0)
        return Reading(samples.highest(each.over, times.since) if each.how is How.HIGHEST else value, reasons, times)


def number_in(reading: Reading) -> float | None:
    """The number that a reading has, None where it has none."""
    return reading.value if isinstance(reading.value, int | float) else None
