"""The gateway's own figures, kept with each change."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator import __version__
from aggregator.core.errors import Refusal
from aggregator.core.figures import Figures
from aggregator.core.gateway import FIGURE_NAMES
from aggregator.core.reading import Now, Reason, grade_of

STARTED = Now(5000.0, 1_795_600_000.0)
BITS = st.integers(0, 2**15 - 1).map(lambda bits: bits & ~3)


def figures_of(*reasons: int) -> Figures:
    return Figures(STARTED, 77, reasons)


@pytest.mark.parametrize("name", FIGURE_NAMES)
def test_every_figure_of_the_gateway_block_has_an_answer(name: str) -> None:
    value = figures_of(0).figure(name, Now(5042.9, 1_795_600_042.9))
    expected = {"heartbeat": 42, "uptime": 42, "map_fingerprint": 77, "clock": 1_795_600_042, "version": __version__}
    expected |= {"last_uplink_age": None, "certificate_days": None, "meters_total": 1, "meters_good": 1}
    assert value == expected.get(name, 0)


@pytest.mark.parametrize("ask", ["figure", "count"])
def test_a_figure_that_is_not_there_is_an_error(ask: str) -> None:
    with pytest.raises(KeyError):
        figures_of().figure("tea", STARTED) if ask == "figure" else figures_of().count("tea")


@pytest.mark.parametrize(("seconds", "heartbeat"), [(0, 0), (65534, 65534), (65535, 0), (65536, 1)])
def test_the_heartbeat_comes_round_below_all_ones_and_the_uptime_does_not(seconds: int, heartbeat: int) -> None:
    """All ones stand for no value."""
    later = Now(STARTED.monotonic + seconds, 0.0)
    assert figures_of().figure("heartbeat", later) == heartbeat
    assert figures_of().figure("uptime", later) == seconds


@pytest.mark.parametrize(
    ("broker", "clock", "stored", "state"),
    [(False, False, False, 0), (True, False, False, 1), (False, True, False, 2), (False, False, True, 4)],
)
def test_each_part_of_the_state_has_its_bit(broker: bool, clock: bool, stored: bool, state: int) -> None:
    figures = figures_of()
    figures.broker_connected, figures.clock_trusted, figures.stored = broker, clock, stored
    assert figures.figure("state", STARTED) == state


def test_what_was_refused_is_counted_over_all_reasons() -> None:
    figures = figures_of()
    figures.counts.rejected.update([Refusal.BAD_JSON, Refusal.BAD_JSON, Refusal.RETAINED])
    figures.counts.accepted, figures.counts.duplicate, figures.counts.late, figures.lost = 4, 3, 2, 1
    names = ("uplinks_rejected", "uplinks_accepted", "uplinks_duplicate", "uplinks_late", "uplinks_lost")
    assert [figures.count(name) for name in names] == [3, 4, 3, 2, 1]


def test_the_last_uplink_s_age_is_in_whole_seconds() -> None:
    figures = figures_of()
    figures.last_accepted = 5000.5
    assert figures.figure("last_uplink_age", Now(5007.4, 0.0)) == 6


@pytest.mark.parametrize(
    ("left", "days"), [(86400.0 * 30, 30), (86399.0, 0), (-5.0, 0), (-1e9, 0), (86400.0 * 1e6, 65534)]
)
def test_the_first_certificate_to_end_tells_its_whole_days(left: float, days: int) -> None:
    """Below all ones, which stand for no value, however far off the clock is."""
    figures = figures_of()
    figures.certificate_ends = STARTED.utc + left
    assert figures.figure("certificate_days", STARTED) == days


@given(st.lists(BITS, min_size=1, max_size=8), st.lists(st.tuples(st.integers(0, 7), BITS), max_size=30))
def test_figures_kept_with_each_change_are_those_counted_anew(began: list[int], moves: list[tuple[int, int]]) -> None:
    meters, figures = list(began), figures_of(*began)
    for at, after in moves:
        figures.move(meters[at % len(meters)], after)
        meters[at % len(meters)] = after
    assert figures.count("meters_total") == len(meters)
    for word in ("good", "uncertain", "bad"):
        expected = sum(grade_of(reasons).name.lower() == word for reasons in meters)
        assert figures.count(f"meters_{word}") == expected
    for reason in (Reason.STALE, Reason.NEVER_SEEN, Reason.UNDER_TEST):
        expected = sum(bool(reasons & reason) for reasons in meters)
        assert figures.count(f"meters_{str(reason.name).lower()}") == expected
