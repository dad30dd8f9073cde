"""The record of writes: who, which register, old, new and what came of it (common practice, no source)."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from aggregator.core.access import EVERYTHING, Party
from aggregator.core.errors import ExceptionCode, ModbusError
from aggregator.core.functions import respond
from aggregator.core.image import Write
from aggregator.core.keeping import KeptEvent
from aggregator.core.reading import Now
from aggregator.core.repeats import QUIET_FOR
from aggregator.core.site import Site
from tests.core.conftest import ANYBODY, FIRST

COIL_ON = bytes((5,)) + FIRST.to_bytes(2, "big") + b"\xff\0"


def written(site: Site) -> Iterator[KeptEvent]:
    return (kept for kept in site.take_kept() if isinstance(kept, KeptEvent) and kept.event == "register written")


def later(start: Now, seconds: float) -> Now:
    return Now(start.monotonic + seconds, start.utc + seconds)


def test_a_command_is_journalled_with_who_where_old_new_and_result(trial: Site, start: Now) -> None:
    respond(trial.images[1], COIL_ON, Party("192.0.2.7:40001", EVERYTHING), start)
    [event] = written(trial)
    assert (event.who, event.tag, event.at) == ("192.0.2.7:40001", "FT-101", start.utc)
    assert event.facts == {
        "register": f"1: coil {FIRST}",
        "item": "under test",
        "old": False,
        "new": True,
        "result": "done",
    }


def test_every_change_is_a_line_however_quickly_they_follow(trial: Site, start: Now) -> None:
    for value in (b"\xff\0", b"\0\0", b"\xff\0"):
        respond(trial.images[1], COIL_ON[:3] + value, ANYBODY, start)
    assert [(event.facts["old"], event.facts["new"]) for event in written(trial)] == [
        (False, True),
        (True, False),
        (False, True),
    ]


def test_a_scratch_register_that_is_written_each_second_is_a_line_a_minute(trial: Site, start: Now) -> None:
    for at in range(55):
        write = bytes((6, 0, 0, 0, at + 1))
        assert respond(trial.images[1], write, Party(f"192.0.2.7:{40000 + at}", EVERYTHING), later(start, at)) == write
    assert [(event.facts["new"], event.facts.get("repeated")) for event in written(trial)] == [(1, None)]
    trial.tick(later(start, QUIET_FOR))
    assert [(event.facts["new"], event.facts.get("repeated")) for event in written(trial)] == [(55, 54)]


def test_a_value_of_several_registers_is_one_line_in_its_own_unit(trial: Site, start: Now) -> None:
    respond(trial.images[1], bytes.fromhex("10 00 06 00 02 04 41 20 00 00"), ANYBODY, start)  # 10.0, IEEE 754
    [event] = written(trial)
    assert (event.facts["register"], event.facts["new"]) == ("1: holding registers 6-7", 10.0)


def test_what_the_site_refuses_is_on_record_as_refused(
    trial: Site, start: Now, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(writes: list[Write], now: Now) -> None:
        raise ModbusError(ExceptionCode.SERVER_DEVICE_FAILURE)

    monkeypatch.setattr(trial, "_carry_out", refuse)
    assert respond(trial.images[1], COIL_ON, ANYBODY, start) == b"\x85\4"
    [event] = written(trial)
    assert event.facts["result"] == "exception 04"
