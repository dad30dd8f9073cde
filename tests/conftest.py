"""Peers: programs that are no Python packages, which some tests talk to.

A test says which it needs by `@pytest.mark.peer("mosquitto")`. Where that is not installed the test is skipped, and the
summary says what to install; with AGGREGATOR_PEERS=required it fails instead, so that a build cannot pass by lacking.
"""

from __future__ import annotations

import os
import shutil

import pytest

PACKAGES = {
    "mosquitto": "mosquitto",
    "mosquitto_passwd": "mosquitto",
    "mosquitto_pub": "mosquitto-clients",
    "mbpoll": "mbpoll",
    "socat": "socat",
    "openssl": "openssl",
}
NOT_INSTALLED = "not installed: "
_missing: set[str] = set()


def find_peer(name: str) -> str | None:
    """Where a peer's program is; system daemons stand in /usr/sbin, which is not on everybody's PATH."""
    return shutil.which(name, path=os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin")))


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


@pytest.fixture
def peer() -> dict[str, str]:
    """The path of each peer that is installed."""
    return {name: path for name in PACKAGES if (path := find_peer(name))}
