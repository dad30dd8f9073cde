"""A short run of what `tests/fuzz/run` does at length, and that it would find a mistake."""

from __future__ import annotations

import importlib.util
import random
import re
import subprocess
import sys
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aggregator.core import functions
from aggregator.core.access import Party
from aggregator.core.modbus import Conversation
from aggregator.core.reading import Now
from tests.fuzz.__main__ import main
from tests.fuzz.streams import frame, stream
from tests.fuzz.trial import Outcome, Trial

ROOT = Path(__file__).parents[2]
FRAMES = 6000


@pytest.fixture(scope="module")
def shared() -> Trial:
    """One trial for many streams: what one of them writes is there for the next."""
    return Trial()


@pytest.mark.parametrize("seed", [11, 12])
def test_any_stream_is_answered_as_the_model_answers_it(seed: int) -> None:
    trial, rng = Trial(), random.Random(seed)
    while trial.frames < FRAMES:
        trial.run(*stream(rng))


FRAME = st.builds(lambda seed: frame(random.Random(seed)), st.integers(0, 2**32))
BYTES = st.lists(st.one_of(FRAME, FRAME, st.binary(max_size=12)), max_size=6).map(b"".join)


@settings(deadline=None, max_examples=300)
@given(data=BYTES, cuts=st.lists(st.integers(0, 2000), max_size=5))
def test_any_bytes_in_any_portions_are_answered_as_the_model_answers_them(
    shared: Trial, data: bytes, cuts: list[int]
) -> None:
    shared.run(data, cuts)


def test_memory_stays_where_it_is() -> None:
    trial, rng = Trial(), random.Random(13)

    def send(streams: int) -> int:
        for _ in range(streams):
            trial.run(*stream(rng))
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    try:
        early = send(1500)  # what is kept of a client has its bounds, and they have been reached by then
        assert send(1500) - early < 50_000
    finally:
        tracemalloc.stop()


# That a mistake would be found


def swap(monkeypatch: pytest.MonkeyPatch, function: int, answer: functions.Serve) -> None:
    monkeypatch.setattr(functions, "SERVES", {**functions.SERVES, function: answer})
    monkeypatch.setattr(functions.respond, "__defaults__", (functions.SERVES,))


def wrong_somewhere(trial: Trial, frames: int = 3000) -> bool:
    rng = random.Random(14)
    try:
        while trial.frames < frames:
            trial.run(*stream(rng))
    except Outcome:
        return True
    return False


def test_nothing_is_found_where_nothing_is_wrong() -> None:
    assert not wrong_somewhere(Trial())


def test_an_answer_that_is_wrong_by_one_bit_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    right = functions.SERVES[1]

    def wrong(tables: functions.Tables, pdu: bytes, who: Party, now: Now) -> bytes:
        answer = right(tables, pdu, who, now)
        return answer[:-1] + bytes((answer[-1] ^ 1,))

    swap(monkeypatch, 1, wrong)
    assert wrong_somewhere(Trial())


def test_a_write_that_is_not_carried_out_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    swap(monkeypatch, 22, lambda tables, pdu, who, now: pdu)
    assert wrong_somewhere(Trial())


def test_a_limit_that_is_wrong_by_one_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(functions, "MOST_REGISTERS_READ", 124)
    assert wrong_somewhere(Trial(), 20_000)


def test_a_request_that_is_answered_twice_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    once = Conversation.receive

    def twice(self: Conversation, data: bytes, now: Now) -> bytes:
        return once(self, data, now) * 2

    monkeypatch.setattr(Conversation, "receive", twice)
    assert wrong_somewhere(Trial())


# The runner


def test_the_runner_says_what_it_sent_and_that_memory_stayed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["fuzz", "--frames", "2000", "--seed", "5"])
    assert main() == 0
    assert "every answer the model's; memory" in capsys.readouterr().out


def test_the_runner_shows_the_stream_that_was_answered_wrong(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["fuzz", "--frames", "2000"])
    swap(monkeypatch, 4, lambda tables, pdu, who, now: b"\x84\4")
    assert main() == 1
    assert "must be" in capsys.readouterr().out


@pytest.mark.skipif(importlib.util.find_spec("atheris") is None, reason="needs the `fuzz` extra")
def test_the_runner_lets_coverage_steer() -> None:
    line = [sys.executable, "-m", "tests.fuzz", "--guided", "--frames", "1500"]
    ended = subprocess.run(line, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)
    assert ended.returncode == 0, ended.stderr[-2000:]
    assert " frames, guided" in ended.stdout
    reached = re.findall(r"cov: (\d+)", ended.stderr)
    assert int(reached[-1]) > 100  # places in the core that the streams have been seen to reach
