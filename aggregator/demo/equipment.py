"""Gas equipment that behaves: what each field of a meter would read at a given moment.

Everything is worked out from a seed and the moment alone, in seconds since the simulation began. A flow follows the
day; its total is that same curve integrated, so that the two always agree. A detector stands at what clean air holds,
with a small background, and now and then a plume of gas goes by.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from aggregator.config.scalars import Wrong
from aggregator.config.units import conversion
from aggregator.core.profile import Field, Profile

DAY = 86400.0
Curve = Callable[[float], float]
"""A field's value in its own unit, at seconds since the simulation began."""

FLOW = re.compile(r"/\s*(h|min|s)$")
TOTAL = re.compile(r"^[NS]?(m3|m³|dm3|l|L)$")
PRESSURE = re.compile(r"bar|Pa")
TEMPERATURE = re.compile(r"°|deg")
VOLTAGE = re.compile(r"^m?V$")
GAS = re.compile(r"LEL|ppm|ppb|%\s*vol|g/m")
TIME = re.compile(r"^(h|d|min|s)$")
# Volume parts of clean, dry air in ppm (from memory; carbon dioxide rises by two or three a year).
AIR = ((re.compile(r"(^|_)(co2|carbon_dioxide)"), 420.0), (re.compile(r"(^|_)(o2|oxygen)"), 209_460.0))

BACKGROUND = 0.003  # of the span: what a detector shows of nothing, by its noise
PLUME_EVERY = 8 * 3600.0  # s between plumes of gas, on average
PLUME_LASTS = 900.0  # s until a plume has gone down to a third
PLUME_KEPT = 12  # time constants after which nothing of a plume is left


@dataclass(frozen=True, slots=True)
class Wave:
    """One part of a load curve: relative height, period in s, phase in radians."""

    height: float
    period: float
    phase: float

    def at(self, now: float) -> float:
        return self.height * math.sin(math.tau * now / self.period + self.phase)

    def integral(self, now: float) -> float:
        """The area under the wave since the beginning, in s."""
        turn = math.tau / self.period
        return self.height / turn * (math.cos(self.phase) - math.cos(turn * now + self.phase))


@dataclass(frozen=True, slots=True)
class Load:
    """How hard a plant works over the day, about 1, with a slow drift on top. Never below a third."""

    waves: tuple[Wave, ...]

    @classmethod
    def of(cls, random: Random) -> Load:
        day = Wave(random.uniform(0.15, 0.35), DAY, random.uniform(0, math.tau))
        drift = Wave(random.uniform(0.05, 0.15), random.uniform(3, 9) * 3600, random.uniform(0, math.tau))
        return cls((day, drift))

    def at(self, now: float) -> float:
        return 1 + sum(wave.at(now) for wave in self.waves)

    def integral(self, now: float) -> float:
        """The load since the beginning, in s."""
        return now + sum(wave.integral(now) for wave in self.waves)


@dataclass(frozen=True, slots=True)
class Span:
    """What a field can measure, for the simulation: 0 to 100 where the profile does not say."""

    low: float
    high: float

    @classmethod
    def of(cls, field: Field) -> Span:
        low = field.low if math.isfinite(field.low) else 0.0
        high = field.high if math.isfinite(field.high) else low + 100.0
        return cls(low, high)

    def at(self, part: float) -> float:
        """The value at a part of the span: 0 its lower end, 1 its upper."""
        return self.low + part * (self.high - self.low)

    def clip(self, value: float) -> float:
        return min(max(value, self.low), self.high)


class Equipment:
    """One meter and the plant around it. Two of the same profile and seed read the same at the same moment."""

    def __init__(self, profile: Profile, seed: str) -> None:
        self.profile = profile
        self._random = Random(seed)  # noqa: S311 - a simulation, nothing secret
        self._load = Load.of(self._random)
        self._mean_flow = self._random.uniform(0.3, 0.6)  # of the flow's span
        self._curves = [self._curve(field) for field in profile.fields]

    def read(self, now: float) -> list[float]:
        """The value of each field at a moment, in the field's unit and inside its range."""
        return [Span.of(field).clip(curve(now)) for field, curve in zip(self.profile.fields, self._curves, strict=True)]

    def _curve(self, field: Field) -> Curve:
        kinds = (
            (FLOW, self._flow),
            (TOTAL, self._total),
            (PRESSURE, self._pressure),
            (TEMPERATURE, self._temperature),
            (VOLTAGE, self._battery),
            (GAS, self._gas),
            (TIME, self._running_time),
        )
        for pattern, kind in kinds:
            if pattern.search(field.unit):
                return kind(field)
        return self._code(field) if not field.unit else self._slow(field)

    def _noise(self, size: float) -> Curve:
        """Noise of a given spread (standard deviation) that is the same whenever the same moment is asked for."""
        key = self._random.random()
        return lambda now: Random(hash((key, now))).gauss(0.0, size)  # noqa: S311 - as above

    def _flow(self, field: Field) -> Curve:
        span, noise = Span.of(field), self._noise(0.01)
        mean = self._mean_flow * span.high
        return lambda now: mean * self._load.at(now) * (1 + noise(now))

    def _total(self, field: Field) -> Curve:
        span, start = Span.of(field), self._random.uniform(0.001, 0.01)
        rate = self._total_rate(field)

        def total(now: float) -> float:
            run = start * (span.high - span.low) + rate * self._load.integral(now)
            return span.low + run % (span.high - span.low)  # an index rolls over at its end

        return total

    def _total_rate(self, field: Field) -> float:
        """The mean growth of a total in its unit a second: that of the meter's own flow, where it measures one."""
        for each in self.profile.fields:
            if FLOW.search(each.unit):
                try:
                    per_second = conversion(each.unit, f"{field.unit}/s")
                except Wrong:  # another kind of volume
                    continue
                return float(per_second.value(self._mean_flow * Span.of(each).high))
        return 10.0 / 3600

    def _pressure(self, field: Field) -> Curve:
        span, noise, mean = Span.of(field), self._noise(0.004), self._random.uniform(0.35, 0.5)
        return lambda now: span.at(mean + 0.06 * (self._load.at(now) - 1) + noise(now))

    def _temperature(self, field: Field) -> Curve:
        span, noise, mean = Span.of(field), self._noise(0.002), self._random.uniform(0.45, 0.6)
        day = Wave(0.06, DAY, self._random.uniform(0, math.tau))
        return lambda now: span.at(mean + day.at(now) + noise(now))

    def _battery(self, field: Field) -> Curve:
        span, full = Span.of(field), self._random.uniform(0.7, 0.85)
        return lambda now: span.at(full - 0.01 * now / (30 * DAY))

    def _gas(self, field: Field) -> Curve:
        span, noise = Span.of(field), self._noise(BACKGROUND)
        clean, plumes = air(field), Plumes(Random(self._random.random()))  # noqa: S311 - as above
        sign = -1 if clean > span.at(0.5) else 1  # any other gas pushes oxygen out
        return lambda now: clean + sign * (span.high - span.low) * (abs(noise(now)) + plumes.at(now))

    def _running_time(self, field: Field) -> Curve:
        span, part = Span.of(field), self._random.uniform(0.05, 0.3)
        per_second = conversion("s", field.unit)
        return lambda now: span.at(part) + per_second.value(now)

    @staticmethod
    def _code(field: Field) -> Curve:
        """A code or a flag: the lowest one, which is "nothing to report" on most meters."""
        low = Span.of(field).low
        return lambda _now: low

    def _slow(self, field: Field) -> Curve:
        span, noise = Span.of(field), self._noise(0.002)
        swing = Wave(0.25, self._random.uniform(6, 12) * 3600, self._random.uniform(0, math.tau))
        return lambda now: span.at(0.55 + swing.at(now) + noise(now))


class Plumes:
    """Gas that goes by now and then: a sudden rise to a part of the span and a slow fall."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self._plumes: list[tuple[float, float]] = []  # start in s, height as a part of the span
        self._planned = random.expovariate(1 / PLUME_EVERY)

    def at(self, now: float) -> float:
        """What stands of all plumes at a moment, as a part of the span."""
        while self._planned <= now:
            self._plumes.append((self._planned, self._random.uniform(0.1, 0.5)))
            self._planned += self._random.expovariate(1 / PLUME_EVERY)
        ages = ((now - start, height) for start, height in self._plumes)
        return sum(height * math.exp(-age / PLUME_LASTS) for age, height in ages if 0 <= age < PLUME_KEPT * PLUME_LASTS)


def air(field: Field) -> float:
    """What a detector reads in clean air, in the field's unit."""
    for name, ppm in AIR:
        if name.search(field.name):
            try:
                return float(conversion("ppm", field.unit).value(ppm))
            except Wrong:  # a unit that no volume part turns into: %LEL, mg/m3
                return 0.0
    return 0.0
