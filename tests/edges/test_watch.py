"""Following a site on a terminal, on a pseudo terminal of 80 columns: a real service, and a real Ctrl-C."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.core.trouble import HELD
from aggregator.terminal.watch import Screen, meter_lines

if TYPE_CHECKING:
    from tests.edges.conftest import Service

Command = Callable[..., subprocess.CompletedProcess[str]]
INTO, OUT_OF = "\x1b[?1049h", "\x1b[?1049l"  # the alternate screen (xterm control sequences, DECSET 1049; from memory)
SHOWN = "\x1b[?25h"  # the cursor (DECTCEM)
PATIENCE = 30.0  # s


class Screened:
    """A command on a terminal of its own."""

    def __init__(self, *arguments: str | Path, columns: int = 80) -> None:
        self.own, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        environment = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "aggregator", *map(str, arguments)],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            env={**environment, "TERM": "xterm"},
            start_new_session=True,
        )
        os.close(theirs)
        self.seen = ""

    def until(self, pattern: str) -> None:
        """Read on until something is on the screen that was not there before this call."""
        begin, end = len(self.seen), time.monotonic() + PATIENCE
        while not re.search(pattern, self.seen[begin:]):
            assert time.monotonic() < end, self.seen[begin:]
            assert self.read(), self.seen[begin:]

    def read(self) -> bool:
        """Read what has come within a moment; False at the end."""
        if not select.select([self.own], [], [], 0.1)[0]:
            return True
        try:
            data = os.read(self.own, 65536)
        except OSError:  # the other end has been closed
            return False
        self.seen += data.decode()
        return bool(data)

    def ends(self, number: int) -> int:
        """Send a signal and read to the end. Returns the exit code."""
        self.process.send_signal(number)
        end = time.monotonic() + PATIENCE
        while self.read() and self.process.poll() is None:
            assert time.monotonic() < end, "it goes on"
        while self.read() and select.select([self.own], [], [], 0)[0]:
            pass
        return self.process.wait(10)


@pytest.fixture
def screened() -> Iterator[Callable[..., Screened]]:
    opened: list[Screened] = []

    def open_one(*arguments: str | Path, columns: int = 80) -> Screened:
        opened.append(Screened(*arguments, columns=columns))
        return opened[-1]

    yield open_one
    for each in opened:
        each.process.kill()
        each.process.wait()
        os.close(each.own)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_screen_follows_the_service_says_when_it_is_gone_and_comes_back_and_is_left_as_it_was(
    number: int,
    site: Callable[..., Path],
    service: Callable[..., Service],
    screened: Callable[..., Screened],
    command: Command,
) -> None:
    folder = site()
    running = service(folder)
    screen = screened("watch", folder)
    screen.until(r"FT-101 .*bad: never heard, expected every")
    assert INTO in screen.seen
    command("test", "FT-102", "on", "--site", folder)
    screen.until(r"FT-102 .*; under")
    running.stop()
    screen.until("The service does not answer")
    service(folder)
    screen.until(r"\x1b\[HAlder Fen")
    assert screen.ends(number) == 0
    assert screen.seen.rindex(OUT_OF) > screen.seen.rindex(INTO)
    assert screen.seen.rindex(SHOWN) > screen.seen.rindex("\x1b[?25l")
    assert "Traceback" not in screen.seen


def test_it_waits_for_a_service_that_has_yet_to_begin(
    site: Callable[..., Path], service: Callable[..., Service], screened: Callable[..., Screened]
) -> None:
    folder = site()
    screen = screened("watch", folder)
    screen.until("The service does not answer")
    service(folder)
    screen.until("FT-101")


def test_in_a_pipe_it_prints_once_those_in_trouble_first(
    site: Callable[..., Path], service: Callable[..., Service], command: Command
) -> None:
    folder = site()
    service(folder)
    command("test", "FT-102", "on", "--site", folder)
    ended = command("watch", folder)
    assert ended.returncode == 0, ended.stderr
    found = re.findall(r"(FT-\d+) .*?(bad: [^\n]*)", ended.stdout)
    assert found[0] == ("FT-101", "bad: never heard, expected every 15 min")
    assert ("FT-102", "bad: never heard, expected every 15 min; under test") in found
    only = command("watch", folder, "--meter", "FT-102", "--trouble").stdout
    assert set(re.findall(r"FT-\d+", only)) == {"FT-102"}
    assert "\x1b" not in ended.stdout


def test_an_area_that_there_is_not_ends_it_with_those_that_there_are(
    site: Callable[..., Path], service: Callable[..., Service], command: Command
) -> None:
    folder = site()
    service(folder)
    ended = command("watch", folder, "--area", "nowhere")
    assert ended.returncode == 3
    assert "there is no area nowhere; there is " in ended.stderr


def test_no_service_is_said_in_a_pipe(site: Callable[..., Path], command: Command) -> None:
    ended = command("watch", site())
    assert ended.returncode == 3
    assert "no service answers" in ended.stderr


METER: dict[str, Any] = {
    "tag": "FT-101",
    "name": "Digester 1 raw biogas",
    "heard": 1000.0,
    "stale": False,
    "trouble": 203,
    "alarm": {"says": "methane high: unacknowledged", "priority": "high", "more": 1},
    "says": "uncertain: out of range",
    "fields": [{"name": "methane", "value": 34.125, "unit": "%LEL", "decimals": 2, "grade": 2}],
}
SITE = {
    "site": "Alder Fen biogas works",
    "utc": 1020.0,
    "alarms_unacknowledged": 1,
    "meters_in_alarm": 1,
    "meters_good": 0,
    "meters_uncertain": 1,
    "meters_bad": 0,
    "meters_total": 1,
    "broker_connected": True,
    "stored": True,
    "clock_trusted": True,
}


def test_nothing_is_cut_off_at_80_columns_and_long_sentences_go_on_below() -> None:
    lines = [line.plain for line in meter_lines([METER], 1020.0, 80)]
    assert all(len(line) <= 80 for line in lines)
    assert lines[0].startswith("!!  FT-101")
    assert "34.12 %LEL" in lines[0]
    words = " ".join(" ".join(lines).split())
    assert words.endswith("methane high: unacknowledged (high), and 1 more; uncertain: out of range, 20 s old")


def test_a_meter_in_test_whose_alarm_would_stand_says_so_and_is_marked() -> None:
    alarm = {**METER["alarm"], "says": "under test, methane high stands"}
    lines = [line.plain for line in meter_lines([{**METER, "trouble": HELD + 3, "alarm": alarm}], 1020.0, 120)]
    assert lines[0].startswith("! ")
    assert "under test, methane high stands (high), and 1 more; uncertain" in " ".join(" ".join(lines).split())


@pytest.mark.parametrize("height", [5, 8, 24])
def test_what_does_not_fit_is_counted_and_the_screen_is_never_too_long(height: int) -> None:
    screen = Screen()
    screen.take({**SITE, "meters": [METER] * 50, "count": 60}, 10.0)
    lines = [line.plain for line in screen.lines(80, height, 10.0)]
    assert len(lines) <= height
    shown = sum(line.startswith("!!") for line in lines)
    assert lines[-1] == f"and {60 - shown} more, less in need of somebody"


def test_what_is_old_says_how_old_and_what_is_wrong_with_the_site_is_said() -> None:
    screen = Screen()
    screen.take({**SITE, "meters": [METER], "count": 1, "broker_connected": False, "stored": False}, 10.0)
    assert "the broker is away; nothing is stored" in [line.plain for line in screen.lines(80, 24, 10.0)]
    screen.take("no service answers.", 70.0)
    first = screen.lines(200, 24, 190.0)[0].plain
    assert first == "The service does not answer. What follows is 3 min old. no service answers."
    assert "dim" in str(screen.lines(200, 24, 190.0)[1].spans)
