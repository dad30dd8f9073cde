"""A running total as plant software reads it, over an exchange of the meter and a kill of the service."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

MOSQUITTO = pytest.mark.peer("mosquitto")
TOTAL_AT = 100 + 8  # in place of the layout's field `pair`


@pytest.fixture
def counting(site: Callable[..., Path]) -> Callable[[int], Path]:
    """The small site, its volume said to count, and the running total mapped."""

    def write(broker: int) -> Path:
        folder = site(broker=broker)
        profile = next((folder / "profiles").glob("*.yaml"))
        text = profile.read_text()
        assert text.count("  volume: {") == 1
        profile.write_text(text.replace("  volume: {", "  volume: {counts: {wraps_at: 10000 m3}, "))
        map_ = folder / "map.yaml"
        text = map_.read_text()
        old = "      8: {field: pair, as: uint32}\n      10: {field: quad, as: uint64}\n"
        assert text.count(old) == 1
        map_.write_text(text.replace(old, "      8: {total_of: volume, as: float64}\n"))
        return folder

    return write


@MOSQUITTO
def test_a_total_carries_on_across_an_exchange_and_a_kill(
    counting: Callable[[int], Path],
    broker: Callable[..., Any],
    service: Callable[..., Any],
    publisher: Callable[..., Any],
    caller: Callable[[int], Any],
    uplink: Callable[..., bytes],
    command: Callable[..., Any],
    until: Callable[..., Any],
) -> None:
    started = broker()
    folder = counting(started.port)
    running = service(folder)
    until(started.subscriptions, what="the subscription")
    sender = publisher(started)

    def total() -> float:
        answer = client.ask(struct.pack(">BHH", 4, TOTAL_AT, 4))
        return float(struct.unpack(">d", answer[2:])[0])

    client = caller(running.port)
    sender.send(uplink(1, volume=9990.0), uplink(2, volume=9998.0), uplink(3, volume=4.0))
    until(lambda: total() == 10004.0, what="the counter that wrapped at 10 000")
    told = command("total", "FT-101", "volume", "20000", "--site", folder, "--counter", "7.5")
    assert told.returncode == 0
    assert told.stdout == "the total of FT-101 volume is 20000\n"
    until(lambda: total() == 20000.0, what="the total set by hand")
    running.kill()
    client = caller(service(folder).port)
    assert total() == 20000.0
    sender.send(uplink(4, volume=9.5))
    until(lambda: total() == 20002.0, what="what the new meter counted")
    journal = command("export", folder, "--journal", "--as", "json").stdout
    assert '"total set by hand"' in journal
    assert '"counter wrapped"' in journal


@MOSQUITTO
def test_a_total_that_does_not_exist_is_refused_with_a_sentence(
    counting: Callable[[int], Path], command: Callable[..., Any]
) -> None:
    folder = counting(1)
    refused = command("total", "FT-101", "flow", "1", "--site", folder)
    assert refused.returncode == 2
    assert "no running total of flow" in " ".join(refused.stderr.replace("│", " ").split())
    assert command("total", "FT-101", "volume", "1", "--site", folder).returncode == 3  # no service runs
