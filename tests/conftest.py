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
_missing: set[str] = set()


def find_peer(name: str) -> str | None:
    """Where a peer's program is; system daemons stand in /usr/sbin, which is not on everybody's PATH."""
    return shutil.which(name, path=os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin")))


def pytest_runtest_setup(item: pytest.Item) -> None:
    for marker in item.iter_markers("peer"):
        for name in marker.args:
            if find_peer(name) is None:
                reason = f"{name} is not installed (Debian package {PACKAGES[name]})"
                if os.environ.get("AGGREGATOR_PEERS") == "required":
                    pytest.fail(reason, pytrace=False)
                pytest.skip(reason)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Under xdist the reports are all that reaches the process that writes the summary."""
    if report.when == "setup" and report.skipped and isinstance(report.longrepr, tuple):
        for name, package in PACKAGES.items():
            if report.longrepr[2].endswith(f"{name} is not installed (Debian package {package})"):
                _missing.add(name)


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
