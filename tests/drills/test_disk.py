"""The disk is full, cannot be written, holds rubbish, or is slow: the registers go on, and say what is not kept."""

from __future__ import annotations

import contextlib
import json
import os
import random
import statistics
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.keeper import PATIENCE
from aggregator.mqtt import AT_ONCE
from tests.drills.conftest import METERS

if TYPE_CHECKING:
    from tests.drills.conftest import Drill

pytestmark = pytest.mark.peer("mosquitto")


def run_or_skip(*command: str | Path) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"mounting is not permitted here: {done.stderr.strip()}")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A folder with room for 4 MB."""
    folder = tmp_path / "site" / "data"
    folder.mkdir(parents=True)
    run_or_skip("mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", folder)
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


def fill(folder: Path) -> Path:
    """Take all the room there is."""
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(1024))
    return ballast


def test_a_full_disk_stops_no_fresh_reading_and_loses_nothing(
    small_disk: Path,
    drill: Callable[..., Drill],
    until: Callable[..., Any],
) -> None:
    there = drill()
    life = there.begin()
    polling = there.poll()
    there.report(1, flow=1, volume=1)
    kept = there.kept
    there.until_kept(METERS)
    ballast = fill(small_disk)
    # More than the broker sends ahead of acknowledgements: the last are shown only once the first are given up on.
    rounds = AT_ONCE // METERS + 20
    began = time.monotonic()
    for counter in range(2, rounds + 1):
        there.report(counter, flow=counter, volume=counter)
    until(lambda: not life.is_stored(), what="bit 2 of the state off")
    assert "the disk is full" in life.events("nothing is being stored")[0]["reason"]
    until(lambda: life.heard() == rounds * METERS, PATIENCE + 10, "the last round, with the disk still full")
    assert time.monotonic() - began > PATIENCE - 1, "the broker held nothing back, so this has shown nothing"
    there.report(rounds + 1, flow=777, volume=9999)
    until(lambda: life.heard() == (rounds + 1) * METERS, 2, "a fresh round")
    assert life.client.figure("meters_good") == METERS
    assert not life.is_stored()
    assert kept.distinct() < (rounds + 1) * METERS
    ballast.unlink()
    until(life.is_stored, 35, "bit 2 of the state on again")
    there.until_kept((rounds + 1) * METERS)
    assert kept.distinct() == kept.rows()
    assert life.events("storing again")
    assert polling.cut == 0


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Callable[[bool], None]]:
    """Make the site's data folder one that cannot be written, or one that can again."""
    folder = tmp_path / "site" / "data"
    folder.mkdir(parents=True)
    is_root = os.geteuid() == 0
    if is_root:
        run_or_skip("mount", "--bind", folder, folder)

    def set_to(wanted: bool) -> None:
        if is_root:
            how = "ro" if wanted else "rw"
            subprocess.run(["mount", "-o", f"remount,bind,{how}", folder], check=True)
        else:
            folder.chmod(0o500 if wanted else 0o700)

    yield set_to
    if is_root:
        subprocess.run(["umount", "-l", folder], check=True)
    else:
        folder.chmod(0o700)


def test_a_folder_that_cannot_be_written_is_said_served_over_and_used_once_it_can(
    read_only: Callable[[bool], None],
    drill: Callable[..., Drill],
    until: Callable[..., Any],
) -> None:
    there = drill()
    read_only(True)
    life = there.begin()
    polling = there.poll()
    there.report(1)
    until(lambda: life.client.figure("meters_good") == METERS, what="the readings shown")
    assert not life.is_stored()
    assert "cannot be written" in life.events("nothing is being stored")[0]["reason"]
    read_only(False)
    until(life.is_stored, 35, "bit 2 of the state on")
    there.until_kept(METERS)
    assert polling.cut == 0


def zeroed(whole: bytes) -> bytes:
    return bytes(len(whole))


def truncated(whole: bytes) -> bytes:
    return whole[: len(whole) // 2 + 100]


def scrambled(whole: bytes) -> bytes:
    return random.Random(5).randbytes(len(whole))


@pytest.mark.parametrize("spoil", [zeroed, truncated, scrambled])
def test_a_spoilt_history_is_put_aside_whole_and_a_fresh_one_begun(
    spoil: Callable[[bytes], bytes],
    drill: Callable[..., Drill],
    until: Callable[..., Any],
) -> None:
    there = drill()
    first = there.begin()
    for counter in range(1, 31):
        there.report(counter)
    kept = there.kept
    there.until_kept(30 * METERS)
    first.stop()
    there.report(31)
    spoilt = spoil(kept.path.read_bytes())
    kept.path.write_bytes(spoilt)
    life = there.again()
    until(lambda: life.heard() == METERS, what="what came meanwhile")
    until(life.is_stored, what="bit 2 of the state on")
    assert "set aside" in life.notes()
    aside = list(kept.path.parent.glob("history-set-aside-*.db"))
    assert [each.read_bytes() for each in aside] == [spoilt]
    there.until_kept(METERS)
    assert kept.ask("PRAGMA integrity_check") == [("ok",)]
    asked = "SELECT facts FROM journal WHERE event = 'history set aside'"
    ((facts,),) = until(lambda: kept.ask(asked), what="the event in the fresh history")
    assert json.loads(facts)["file"] == aside[0].name
    assert life.client.figure("state") & 16, "bit 4 of the state is off, although the history was set aside"


SLOW = """
import time
from aggregator.store.writer import Writer
commit = Writer._commit
def slow(self, parcels):
    time.sleep(2)
    commit(self, parcels)
Writer._commit = slow
"""


def test_a_disk_that_takes_two_seconds_for_a_commit_delays_no_poll(
    drill: Callable[..., Drill],
    until: Callable[..., Any],
) -> None:
    there = drill()
    life = there.begin(SLOW, within=20)
    polling = there.poll(0.01)
    for counter in range(1, 26):
        there.report(counter, flow=counter, volume=counter)
    until(lambda: life.heard() == 25 * METERS, 5, "all in the registers")
    kept = there.kept
    assert kept.rows() < 25 * METERS, "the disk was not slow"
    there.until_kept(25 * METERS, 20)
    polling.stop()
    assert polling.cut == 0
    assert statistics.median(polling.waits) < 0.1
    assert max(polling.waits) < 1.0, "one poll may wait for a busy machine, none for the disk"
    life.stop()
