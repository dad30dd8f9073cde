"""The command that plays a rehearsal: what it prints, and the codes it ends with."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from aggregator.cli.app import FILES_WRONG, UNEXPECTED

Command = Callable[..., subprocess.CompletedProcess[str]]
ALARMS = "{field: flow, high: 100 m3/h, priority: high}, {when: stale, priority: low}"
LEAK = """\
rehearsal: Too much flow.
steps:
  - at: 23:59
    reads: {{FT-101 flow: 120 m3/h}}
    expect: {{FT-101 flow high: {state}}}
  - at: day 2 00:01:30
    says: Power is cut.
    restart: at once
    expect: {{FT-101: restored, FT-101 flow high: unacknowledged}}
"""


@pytest.fixture
def rehearsal(tmp_path: Path) -> Callable[[str], Path]:
    def write(state: str) -> Path:
        path = tmp_path / "leak.yaml"
        path.write_text(LEAK.format(state=state), encoding="utf-8")
        return path

    return write


def test_a_rehearsal_prints_each_step_and_ends_well(
    site: Callable[..., Path], command: Command, rehearsal: Callable[[str], Path]
) -> None:
    folder = site(alarms=ALARMS)
    ended = command("rehearse", rehearsal("unacknowledged"), "--site", folder)
    assert (ended.returncode, ended.stderr) == (0, "")
    assert ended.stdout.splitlines() == [
        "Too much flow.",
        "23:59  FT-101 flow reads 120 m3/h",
        "        FT-101 flow high: alarm raised at 120, limit 100 -> unacknowledged",
        "     ok FT-101 flow high: unacknowledged",
        "day 2 00:01:30  Power is cut.",
        "     ok FT-101: restored",
        "     ok FT-101 flow high: unacknowledged",
        "3 expectations, all as expected",
    ]
    assert not (folder / "data").exists(), "a rehearsal leaves nothing behind"


def test_what_is_not_as_expected_is_told_with_its_line_and_a_code(
    site: Callable[..., Path], command: Command, rehearsal: Callable[[str], Path]
) -> None:
    ended = command("rehearse", rehearsal("normal"), "--site", site(alarms=ALARMS), "--quiet")
    assert ended.returncode == UNEXPECTED == 1
    assert ended.stdout.splitlines() == [
        "Too much flow.",
        "DIFFERS FT-101 flow high: normal, but is unacknowledged  (leak.yaml:5)",
        "1 difference from what was expected",
    ]


def test_a_file_that_is_wrong_is_refused_like_those_of_the_site(
    site: Callable[..., Path], command: Command, rehearsal: Callable[[str], Path], tmp_path: Path
) -> None:
    ended = command("rehearse", rehearsal("loud"), "--site", site(alarms=ALARMS))
    assert ended.returncode == FILES_WRONG
    assert "leak.yaml:5:32: `loud` is no state of an alarm" in ended.stderr
    ended = command("rehearse", tmp_path / "none.yaml", "--site", site(alarms=ALARMS))
    assert ended.returncode == FILES_WRONG
    assert "the file is not there" in ended.stderr
