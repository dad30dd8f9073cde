"""Time-weighted averages and mixtures against the worked examples of 29 CFR 1910.1000(d)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.exposure import Exposure, mixture

HOUR = 3600.0
SHIFT = 8 * HOUR


def of(samples: list[tuple[float, float | None]], hold: float = SHIFT, longest: float = SHIFT) -> Exposure:
    exposure = Exposure(longest, hold)
    for at, value in samples:
        exposure.add(at, value)
    return exposure


def test_the_worked_example_of_the_eight_hour_average() -> None:
    """2 h at 150, 2 h at 75 and 4 h at 50 ppm: 81.25 ppm (29 CFR 1910.1000(d)(1)(ii))."""
    assert of([(0, 150), (2 * HOUR, 75), (4 * HOUR, 50)]).average(SHIFT, SHIFT) == (81.25, 1.0)


def test_the_worked_example_of_a_mixture() -> None:
    """500/1000 + 45/200 + 40/200 = 0.925 (29 CFR 1910.1000(d)(2)(ii))."""
    assert mixture([(500, 1000), (45, 200), (40, 200)]) == pytest.approx(0.925, abs=1e-12)


def test_the_rest_of_a_shift_without_exposure_counts_as_zero() -> None:
    """4 h at 80 ppm, then none: 40 ppm, by the formula of (d)(1)."""
    assert of([(0, 80), (4 * HOUR, 0)]).average(SHIFT, SHIFT) == (40, 1.0)


def test_a_sample_holds_until_the_next_one() -> None:
    """C = 0, 10, 20, 10, 0 at 0, 60, 120, 240, 480 min: 11.25 by holding (the trapezoid rule would give 8.75)."""
    minutes = [(0, 0), (60, 10), (120, 20), (240, 10), (480, 0)]
    assert of([(60.0 * at, value) for at, value in minutes]).average(SHIFT, SHIFT).value == 11.25


def test_time_of_which_nothing_is_known_is_told_apart_from_clean_air() -> None:
    """4 h of samples every 15 min, then silence: the sum is that of the rule, and half of the window is covered."""
    silent = of([(at * 900.0, 10) for at in range(16)], hold=900.0)
    assert silent.average(SHIFT, SHIFT) == (5.0, 0.5)


def test_a_sensor_that_cannot_measure_covers_nothing() -> None:
    assert of([(0, 10), (4 * HOUR, None)]).average(SHIFT, SHIFT) == (5.0, 0.5)


def test_a_window_begins_in_the_middle_of_a_sample() -> None:
    assert of([(0, 100), (HOUR, 0)]).average(HOUR, 1.5 * HOUR) == (50, 1.0)


samples = st.lists(st.tuples(st.integers(0, 30_000), st.floats(0, 500)), min_size=1, max_size=60)


@given(samples, st.sampled_from([900.0, SHIFT]), st.sampled_from([300.0, 960.0, SHIFT]))
def test_any_samples_agree_with_a_sum_over_every_second(
    series: list[tuple[int, float]], window: float, hold: float
) -> None:
    """A second implementation: numpy, second by second."""
    latest = dict(series)
    now = max(latest)
    seconds = np.full(now + 1, np.nan)
    for at, value in sorted(latest.items()):
        seconds[at : min(now + 1, at + int(hold))] = value
        after = [other for other in latest if other > at]
        if after:
            seconds[min(after) :] = np.nan
    part = seconds[max(0, now - int(window)) : now]
    found = of([(float(at), value) for at, value in series], hold).average(window, float(now))
    assert found.value == pytest.approx(np.nansum(part) / window, rel=1e-9, abs=1e-9)
    assert found.covered == pytest.approx(np.count_nonzero(~np.isnan(part)) / window, abs=1e-9)


@given(samples, st.randoms())
def test_late_samples_give_the_same_average(series: list[tuple[int, float]], chance: object) -> None:
    ordered = sorted(dict(series).items())
    mixed = list(ordered)
    chance.shuffle(mixed)  # type: ignore[attr-defined]
    now = float(ordered[-1][0])
    inside = [(at, value) for at, value in mixed if at >= now - SHIFT]
    whole = of([(float(at), value) for at, value in ordered if at >= now - SHIFT], 900.0)
    assert of([(float(at), value) for at, value in inside], 900.0).average(SHIFT, now) == whole.average(SHIFT, now)


def test_what_is_older_than_the_window_is_forgotten() -> None:
    exposure = of([(float(at), 1.0) for at in range(0, 200_000, 300)], 900.0)
    assert exposure.average(SHIFT, 199_800.0) == (1.0, 1.0)
    assert len(exposure._at) <= SHIFT / 300 + 2
