"""Killed at any moment, nothing that was said to be safe is missing, and nothing stands twice."""

from __future__ import annotations

import math
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from aggregator.store import Store

KILLS = 30
VICTIM = Path(__file__).with_name("victim.py")


def run_and_kill(path: Path, first: int, after: float) -> list[int]:
    """Let the victim store from `first` on, kill it so long (s) after its first word, and give all it said."""
    running = subprocess.Popen([sys.executable, VICTIM, path, str(first)], stdout=subprocess.PIPE, text=True)
    assert running.stdout is not None
    try:
        said = running.stdout.readline()
        time.sleep(after)  # not a wait for something: the moment of death is the test's own choice
    finally:
        running.send_signal(signal.SIGKILL)
    said += running.stdout.read()
    running.stdout.close()
    assert running.wait() == -signal.SIGKILL
    return [int(line) for line in said.splitlines(keepends=True) if line.endswith("\n")]


def test_what_was_said_to_be_safe_is_there_after_every_kill_and_nothing_twice(
    path: Path, open_store: Callable[..., Store]
) -> None:
    """Each run begins with what the one before had not been told of, as a broker does that got no acknowledgement."""
    chance = random.Random(11)
    safe: list[int] = []
    for _ in range(KILLS):
        first = safe[-1] + 1 if safe else 0
        said = run_and_kill(path, first, chance.uniform(0.0, 0.12))
        assert said == list(range(first, first + len(said)))
        safe += said
    store = open_store()
    assert (store.problem, store.notes) == (None, ())
    rows = Counter((row.tag, row.field, row.value) for row in store.history(None, None, -math.inf, math.inf))
    assert max(rows.values()) == 1
    for number in safe:
        assert (f"FT-{number % 5}", "flow", number) in rows
        assert (f"FT-{number % 5}", "pressure", number / 7) in rows
    flows = sorted(value for _, field, value in rows if field == "flow" and isinstance(value, int))
    assert flows == list(range(flows[-1] + 1)), "a later uplink is there and an earlier one is not"
    assert len(safe) > KILLS
    told = {event.facts["number"] for event in store.journal(-math.inf, math.inf)}
    assert told >= set(safe)
    remembered = store.remembered()
    assert remembered["FT-0"].states["last"] == flows[-1]
    assert remembered[f"FT-{flows[-1] % 5}"].readings["flow"].value == flows[-1]
