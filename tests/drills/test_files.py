"""Drill: a site's files that are sick while its disk is. Who polls notices nothing, and each trouble is shown."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.drills.test_disk import read_only
from tests.edges.conftest import command

if TYPE_CHECKING:
    from subprocess import CompletedProcess

    from tests.drills.conftest import Life, Pollers

__all__ = ["command", "read_only"]

Command = Callable[..., "CompletedProcess[str]"]
REFUSED = 1 << 3  # of the gateway's state word


def moved(text: str) -> str:
    return text.replace("input: {from: 100, every: 16}", "input: {from: 104, every: 16}")


def half(text: str) -> str:
    return text[: len(text) // 2] + "\n  - ["


def emptied(_text: str) -> str:
    return ""


def nested(text: str) -> str:
    return text + "more: " + "[" * 5000


SPOILT: dict[str, Callable[[str], str]] = {"moved": moved, "half": half, "emptied": emptied, "nested": nested}


@pytest.mark.parametrize("disk", ["well", "read-only"])
def test_sick_files_disturb_no_poll_and_change_no_register_whatever_the_disk(
    disk: str,
    read_only: Callable[[bool], None],
    small: Callable[..., tuple[Path, int]],
    live: Callable[..., Life],
    pollers: Callable[..., Pollers],
    command: Command,
    until: Callable[..., Any],
) -> None:
    folder, port = small(9)
    assert command("freeze", folder).returncode == 0
    read_only(disk == "read-only")
    life = live(folder, port)
    until(lambda: life.is_stored() is (disk == "well"), what="what the state says of the disk")
    polling = pollers(port)
    before = life.client.registers(100, 1), life.client.registers(40, 16)
    file = folder / "map.yaml"
    good = file.read_text()
    for at, (name, spoil) in enumerate(SPOILT.items()):
        told = len(life.events("file wrong"))
        file.write_text(spoil(good))
        os.kill(life.process.pid, signal.SIGHUP)
        until(lambda: life.client.figure("state") & REFUSED, what=f"the bit, map {name}")
        assert "map.yaml:" in life.events("file wrong")[told]["problem"], name
        assert (life.client.registers(100, 1), life.client.registers(40, 16)) == before, name
        assert life.is_stored() is (disk == "well")
        file.write_text(good)
        os.kill(life.process.pid, signal.SIGHUP)
        until(lambda: not life.client.figure("state") & REFUSED, what=f"the end of the bit, map {name}")
        assert life.client.figure("generation") == at + 1
    polling.stop()
    assert polling.cut == 0
    assert max(polling.waits) < 1.0  # a file is checked in a thread; on a machine shared with others this bounds a hang
