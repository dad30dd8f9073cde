"""Peers: programs and libraries that are no Python packages, which some tests talk to.

A test says which it needs by `@pytest.mark.peer("mosquitto")`. Where that is not installed the test is skipped, and the
summary says what to install; with AGGREGATOR_PEERS=required it fails instead, so that a build cannot pass by lacking.
"""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.nursery import Nursery, open_nursery

PACKAGES = {
    "mosquitto": "mosquitto",
    "mosquitto_passwd": "mosquitto",
    "mosquitto_pub": "mosquitto-clients",
    "chromium": "chromium",
    "mbpoll": "mbpoll",
    "socat": "socat",
    "openssl": "openssl",
    "gcc": "gcc libc6-dev",
    "libmodbus": "libmodbus-dev",
    "adjtimex": "adjtimex",
}
FILES = {"libmodbus": "/usr/include/modbus/modbus.h"}  # peers that are no program, by a file of theirs
NOT_INSTALLED = "not installed: "
_missing: set[str] = set()


def find_peer(name: str) -> str | None:
    """Where a peer is: its program, or a library's header. Daemons stand in /usr/sbin, not on everybody's PATH."""
    if name in FILES:
        return FILES[name] if Path(FILES[name]).exists() else None
    return shutil.which(name, path=os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin")))


def pytest_configure() -> None:
    """A run that a shell has put into the background ignores SIGINT, and so would every program that it starts."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_runtest_setup(item: pytest.Item) -> None:
    wanted = [name for marker in item.iter_markers("peer") for name in marker.args]
    missing = [name for name in wanted if find_peer(name) is None]
    if missing:
        packages = " ".join(sorted({PACKAGES[name] for name in missing}))
        reason = f"{NOT_INSTALLED}{' '.join(missing)} (Debian: {packages})"
        if os.environ.get("AGGREGATOR_PEERS") == "required":
            pytest.fail(reason, pytrace=False)
        pytest.skip(reason)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Under xdist the reports are all that reaches the process that writes the summary."""
    if report.when == "setup" and report.skipped and isinstance(report.longrepr, tuple):
        _, found, names = report.longrepr[2].partition(NOT_INSTALLED)
        if found:
            _missing.update(names.partition(" (")[0].split())


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if _missing:
        terminalreporter.section("peers that were missing")
        terminalreporter.line(", ".join(sorted(_missing)))
        packages = " ".join(sorted({PACKAGES[name] for name in _missing}))
        terminalreporter.line(f"apt-get install {packages}")


@pytest.fixture(scope="session")
def peer() -> dict[str, str]:
    """The path of each peer that is installed."""
    return {name: path for name in PACKAGES if (path := find_peer(name))}


@pytest.fixture(scope="session")
def nursery() -> Iterator[Nursery]:
    """What forks services: one process for all tests, as none leaves anything behind in it."""
    with open_nursery() as there:
        yield there
