"""The machine's clocks, held against the kernel's own word as another program reads it."""

from __future__ import annotations

import re
import subprocess
import time

import pytest

from aggregator.clock import Clock, FastClock, kernel_keeps_time

TIME_ERROR = 5  # adjtimex(2), return value: the clock is not synchronised


@pytest.mark.peer("adjtimex")
def test_the_clock_is_trusted_where_the_kernel_says_that_it_is_kept_right(peer: dict[str, str]) -> None:
    told = subprocess.run([peer["adjtimex"], "--print"], capture_output=True, text=True, timeout=10, check=False)
    state = re.search(r"return value = (\d+)", told.stdout)
    assert state, told.stdout + told.stderr
    assert kernel_keeps_time() is (int(state[1]) != TIME_ERROR)


def test_a_system_that_cannot_be_asked_keeps_no_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("aggregator.clock.ctypes.CDLL", lambda *_, **__: object())
    assert not kernel_keeps_time()


@pytest.mark.parametrize(("answer", "trusted"), [(0, True), (1, True), (4, True), (5, False), (-1, False)])
def test_only_an_error_of_the_clock_takes_the_trust_away(
    answer: int, trusted: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """adjtimex(2): 0 to 4 are a clock that is kept, with or without a leap second at hand; 5 is TIME_ERROR."""
    library = type("Library", (), {"adjtimex": staticmethod(lambda _: answer)})
    monkeypatch.setattr("aggregator.clock.ctypes.CDLL", lambda *_, **__: library)
    assert Clock().is_trusted() is trusted


def test_the_present_is_that_of_the_machine() -> None:
    now = Clock().now()
    assert abs(now.utc - time.time()) < 5
    assert abs(now.monotonic - time.clock_gettime(time.CLOCK_BOOTTIME)) < 5


class Machine:
    """A wall clock of a machine that can be set."""

    def __init__(self, utc: float) -> None:
        self.utc = utc

    def __call__(self) -> float:
        return self.utc


def test_a_clock_that_is_behind_goes_on_from_the_earliest_it_can_be_until_it_is_set(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("aggregator.clock.kernel_keeps_time", lambda: False)
    machine = Machine(86400.0)
    clock = Clock(machine)
    assert clock.go_on_from(2e9) == 2e9 - 86400.0
    assert clock.goes_on
    first = clock.now()
    while (now := clock.now()).monotonic == first.monotonic:
        continue
    assert 2e9 <= first.utc < now.utc < 2e9 + 60
    assert now.utc - first.utc == pytest.approx(now.monotonic - first.monotonic, abs=0.01)
    machine.utc = 2.1e9
    assert clock.now().utc == 2.1e9, "a later time is taken at once"
    machine.utc = 1.9e9
    clock.go_by_machine()
    assert (clock.now().utc, clock.goes_on) == (1.9e9, False)


@pytest.mark.parametrize(("machine", "kept_right"), [(2e9, False), (86400.0, True)], ids=["later", "kept right"])
def test_a_clock_that_is_later_or_kept_right_is_gone_by(
    machine: float, kept_right: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("aggregator.clock.kernel_keeps_time", lambda: kept_right)
    clock = Clock(Machine(machine))
    assert clock.go_on_from(1.9e9) == 0
    assert (clock.now().utc, clock.goes_on) == (machine, False)


def test_a_fast_clock_runs_on_both_sides_alike() -> None:
    clock = FastClock(1000.0)
    first, real = clock.now(), time.monotonic()
    while (now := clock.now()).monotonic - first.monotonic < 20.0:
        continue
    assert now.utc - first.utc == pytest.approx(now.monotonic - first.monotonic)
    assert time.monotonic() - real < 10
