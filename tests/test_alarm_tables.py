"""Alarms as tables on a terminal: what has no limit shows none, a sentence ends once (common practice, no source)."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from aggregator.commands.alarms import AlarmCommands
from aggregator.core.keeping import KeptEvent
from aggregator.core.response import shelve
from aggregator.terminal.alarms import print_alarms, print_journal
from tests.core.alarmed import NAMES, TAGS, Plant


@pytest.fixture
def plant(monkeypatch: pytest.MonkeyPatch) -> Plant:
    monkeypatch.setenv("COLUMNS", "200")
    return Plant(lambda _: {})  # nothing here starts anew


def told(plant: Plant) -> dict[str, Any]:
    commands = AlarmCommands(lambda: plant.site, lambda: plant.now, lambda: None)
    return dict(asyncio.run(commands.alarms({"do": "alarms", "all": True})))


def row(lines: str, *parts: str) -> str:
    [found] = [line for line in lines.splitlines() if all(part in line.split("  ") for part in parts)]
    return found


def test_an_alarm_of_silence_has_no_limit_in_the_journal_and_in_the_table(
    plant: Plant, capsys: pytest.CaptureFixture[str]
) -> None:
    plant.send(0, 1.0)
    plant.wait(3600)
    events = plant.journal("alarm raised")
    print_journal([each for each in events if isinstance(each, KeptEvent) and each.tag == TAGS[0]], {})
    assert row(capsys.readouterr().out, "stale", "alarm raised").split()[-3:] == ["-", "-", "-"]
    print_alarms(told(plant), limits=True)
    lines = capsys.readouterr().out
    # A limit it has none, and its time is that of the meter: 30 min, not two reports of 15.
    assert row(lines, TAGS[0], "stale").split()[5:9] == ["-", "-", "30", "min"]
    assert row(lines, TAGS[0], "methane high").split()[5:10] == ["-", "-", "20", "%LEL", "30"]


def test_a_sentence_that_ends_in_a_full_stop_gets_no_second_one(
    plant: Plant, capsys: pytest.CaptureFixture[str]
) -> None:
    plant.send(0, 25.0)
    live = plant.site.annunciator.alarms[TAGS[0], NAMES[0]]
    plant.site.respond(lambda site: shelve(site, live, 3600.0, "painting of the roof.", "operator", plant.now))
    print_alarms(told(plant), limits=False)
    line = row(capsys.readouterr().out, TAGS[0], NAMES[0])
    assert ".." not in line
    assert "Keep out. until " in line
    assert line.rstrip().endswith("operator: painting of the roof")
