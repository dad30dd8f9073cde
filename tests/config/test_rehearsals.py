"""Rehearsals of the sample site: all go as expected, each shows when it does not, and a wrong file is told its cure."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from aggregator.cli.rehearse import through_a_store
from aggregator.commands.alarms import AlarmCommands
from aggregator.config.configuration import load
from aggregator.config.rehearsals import read_rehearsal
from aggregator.core.address_map import Shows
from aggregator.core.alarm import Key
from aggregator.core.alarm_state import State
from aggregator.core.errors import ConfigurationError
from aggregator.core.image import Image
from aggregator.core.keeping import KeptEvent
from aggregator.core.rehearsal import Check, Line, Stage, play
from aggregator.core.site import Declared

SAMPLE = Path(__file__).resolve().parents[2] / "config"
FILES = sorted((SAMPLE / "rehearsals").glob("*.yaml"))


@pytest.fixture(scope="module")
def sample() -> Declared:
    return load(SAMPLE).declared


def played(sample: Declared, path: Path) -> list[Line]:
    return list(play(sample, read_rehearsal(path, sample), through_a_store))


def differing(lines: Sequence[Line]) -> list[str]:
    return [line.text for line in lines if line.differs]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_sample_site_does_what_its_rehearsals_expect(sample: Declared, path: Path) -> None:
    lines = played(sample, path)
    assert differing(lines) == []
    assert sum(line.is_expected for line in lines) >= 7


def by_registers(stage: Stage) -> dict[Key, str]:
    """The states that registers show, by the numbers of config/README.md."""
    found: dict[Key, str] = {}
    for device in stage.declared.devices:
        image = stage.site.tables[device.name]
        if not isinstance(image, Image):
            continue
        for entry in device.entries():
            if entry.item.shows is Shows.ALARM_STATE and entry.tag is not None:
                held = image.held(entry.item, entry.address, stage.now())
                assert isinstance(held, int)
                found[entry.tag, entry.item.of] = State(held).words
    return found


def by_command(stage: Stage) -> dict[Key, str]:
    """The states that the table of `aggregator alarms --all` has."""
    commands = AlarmCommands(lambda: stage.site, stage.now, lambda: None)
    told = cast("dict[str, Any]", asyncio.run(cast("Any", commands.alarms({"do": "alarms", "all": True}))))
    assert told["count"] == len(told["alarms"])
    return {(each["tag"], each["alarm"]): each["state"] for each in told["alarms"]}


def by_journal(stage: Stage) -> dict[Key, str]:
    """The last state of each alarm that the journal names."""
    events = [each for each in stage.kept if isinstance(each, KeptEvent) and "state" in each.facts]
    return {(str(each.tag), str(each.facts["alarm"])): str(each.facts["state"]) for each in events}


def agreement(stage: Stage) -> str:
    screen, registers, journal = by_command(stage), by_registers(stage), by_journal(stage)
    assert len(registers) > 20
    differing = [key for key, state in registers.items() if screen[key] != state]
    differing += [key for key, state in screen.items() if journal.get(key, State.NORMAL.words) != state]
    return ", ".join(" ".join(key) for key in differing) or "agree"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_journal_registers_and_screen_agree_at_every_step(sample: Declared, path: Path) -> None:
    rehearsal = read_rehearsal(path, sample)
    check = Check("journal, registers and screen", "agree", agreement)
    rehearsed = replace(rehearsal, steps=tuple(replace(step, checks=(check,)) for step in rehearsal.steps))
    differing = [line for line in play(sample, rehearsed, through_a_store) if line.differs and line.is_expected]
    assert [line.text for line in differing if "is not running" not in line.text] == []


def test_they_show_every_state() -> None:
    assert len(FILES) >= 10
    text = "".join(path.read_text(encoding="utf-8") for path in FILES)
    missing = [state.words for state in State if f": {state.words.replace(',', '')}" not in text]
    assert missing == []


@pytest.fixture
def rehearsal(tmp_path: Path) -> Path:
    return tmp_path / "rehearsal.yaml"


def steps(path: Path, *lines: str) -> Path:
    path.write_text("rehearsal: a try\nsteps:\n" + "".join(f"  - {line}\n" for line in lines), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("step", "differs"),
    [
        (
            "{at: 10:00, reads: {AT-121 methane: 12 %LEL}, expect: {AT-121 methane high: normal}}",
            "AT-121 methane high: normal, but is unacknowledged",
        ),
        (
            "{at: 10:00, reads: {AT-121 methane: 12 %LEL}, expect: {AT-121 methane: 11 %LEL}}",
            "AT-121 methane: 11 %LEL, but is 12 %LEL",
        ),
        (
            "{at: 10:00, fault: AT-121 methane, expect: {AT-121: good}}",
            "AT-121: good, but is bad: sensor fault",
        ),
        (
            "{at: 10:00, reads: {AT-121 methane: 12 %LEL}, registers: {gateway meters_in_alarm: 2}}",
            "input register 13, gateway meters_in_alarm: 2, but is 1",
        ),
        (
            "{at: 10:00, holding: {AT-121 acknowledge: 9}}",
            "refused: exception 03: no alarm that is known here has the sequence number 9",
        ),
        ("{at: 10:00, registers: {site sequence: 9}}", "input registers 5016-5017, site sequence: 9, but is 0"),
        ("{at: 10:00, silence: yes, refused: no}", "should have been refused: no"),
        (
            "{at: 10:00, reset: compressor-hall vote, unshelve: AT-121 stale}",
            "refused: AT-121 stale: an alarm that is normal takes no 'unshelve'",
        ),
        ("{at: 10:00, expect: {first up in compressor-hall: AT-221 methane high}}", None),
    ],
)
def test_what_is_not_as_expected_is_told(sample: Declared, rehearsal: Path, step: str, differs: str | None) -> None:
    expected = differs or "first up in compressor-hall: AT-221 methane high, but is nothing"
    assert differing(played(sample, steps(rehearsal, step))) == [expected]


@pytest.mark.parametrize(
    ("step", "sentence"),
    [
        ("{at: 25:00}", "3:10: `at`: `25:00` is no time of day. Write it like 10:05, 10:05:30 or day 2 06:00."),
        ("{at: 10:00, reads: {AT-999 methane: 1}}", "there is no meter `AT-999`"),
        ("{at: 10:00, reads: {AT-121 methan: 1}}", "AT-121 has no field `methan`. Write `methane`, if that is"),
        ("{at: 10:00, reads: {AT-121 methane: 1 mbar}}", "mbar cannot be turned into %LEL"),
        ("{at: 10:00, reads: {AT-131 h2s_8h: 1 ppm}}", "AT-131 h2s_8h is computed, and no node sends it"),
        ("{at: 10:00, expect: {AT-121 methane high: loud}}", "`loud` is no state of an alarm. Possible are"),
        ("{at: 10:00, expect: {AT-121 methane hgh: normal}}", "AT-121 has no alarm and no field `methane hgh`"),
        ("{at: 10:00, expect: {AT-121: loud}}", "`loud` says nothing of a meter"),
        ("{at: 10:00, registers: {AT-121 methan: 1}}", "no register shows `AT-121 methan`. Write `AT-121 methane`"),
        ("{at: 10:00, acknowledge: AT-121 high}", "there is no alarm `AT-121 high`"),
        ("{at: 10:00, shelve: AT-121 stale, why: x}", "does not say for how long. Write `AT-121 methane high for 2 h`"),
        ("{at: 10:00, shelve: AT-121 stale for 1 h}", "`shelve` has no `why`"),
        ("{at: 10:00, test: AT-121}", "`AT-121` says neither on nor off. Write `AT-121 on` or `AT-121 off`"),
        ("{at: 10:00, suppress: holiday on}", "there is no suppression `holiday`"),
        ("{at: 10:00, every: 5 min}", "`every` and `until` belong together"),
        ("{at: 10:00, every: 1 ms, until: 11:00}", "this step would come 3600001 times"),
        ("{at: 10:00, until: 09:00, every: 5 min}", "`until` comes before `at`"),
        ("{at: 10:00, measured: 10:30, reads: {AT-121 methane: 1}}", "it would come before it was measured"),
        ("{at: 10:00, measured: 09:30}", "`measured` stands without `reads`"),
        ("{at: 10:00, refused: no}", "`refused` stands where nobody does anything"),
        ("{at: 10:00, clock: 1 h}", "`1 h` says neither forward nor back. Write +1 h or -1 h"),
        ("{at: 10:00, coil: {AT-121 reset: 2}}", "`2` is not what a coil takes. Write 1 or 0"),
        ("{at: 10:00, coil: {AT-121 rest: 1}}", "no coil is `AT-121 rest`. Write `AT-121 reset`"),
        ("{at: 10:00, coil: {AT-121 reset: AT-121 stale}}", "`AT-121 stale` is not what a coil takes"),
        ("{at: 10:00, holding: {AT-121 acknowledge: it}}", "`it` is not what a holding register takes"),
        ("{at: 10:00, wait: 1 h}", "`wait` is no key here"),
        ("{at: 10:00, silent: AT-121 for long}", "`long` is no length of time"),
        ("{at: 10:00, setpoint: {AT-121 stale high: 3}}", "there is no alarm `AT-121 stale high`"),
    ],
)
def test_a_wrong_step_is_told_its_line_and_its_cure(
    sample: Declared, rehearsal: Path, step: str, sentence: str
) -> None:
    with pytest.raises(ConfigurationError) as error:
        read_rehearsal(steps(rehearsal, step), sample)
    assert [problem.place.line for problem in error.value.problems] == [3]
    assert sentence in str(error.value)


def test_the_setpoint_of_a_rate_is_written_with_its_time(tmp_path: Path, rehearsal: Path) -> None:
    shutil.copytree(SAMPLE, tmp_path / "site")
    meters = tmp_path / "site" / "meters.yaml"
    declared = "rising: 5 mbar/min, deadband: 1 mbar/min, priority: medium"
    text = meters.read_text(encoding="utf-8")
    assert declared in text
    meters.write_text(text.replace(declared, f"{declared}, may_be: 1 .. 10 mbar/min"), encoding="utf-8")
    site = load(tmp_path / "site").declared
    lines = (
        "{at: 10:00, reads: {FT-101 pressure: 20 mbarg}}",
        "{at: 10:10, reads: {FT-101 pressure: 50 mbarg}, expect: {FT-101 pressure rising: normal}}",  # 3 mbar/min
        "{at: 10:11, setpoint: {FT-101 pressure rising: 2 mbar/min}}",
        "{at: 10:20, reads: {FT-101 pressure: 80 mbarg}, expect: {FT-101 pressure rising: unacknowledged}}",
        "{at: 10:21, setpoint: {FT-101 pressure rising: 11 mbar/min}, refused: may be 1 to 10 mbar/min}",
    )
    assert differing(played(site, steps(rehearsal, *lines))) == []


def test_a_detector_never_heard_is_silent_until_it_reads(sample: Declared, rehearsal: Path) -> None:
    lines = (
        "{at: 10:00, expect: {AT-421: never seen, AT-422: good}}",
        "{at: 10:16, expect: {AT-421 stale: unacknowledged}}",
        "{at: 11:00, reads: {AT-421 methane: 3 %LEL}, expect: {AT-421: good, AT-421 methane: 3 %LEL}}",
        "{at: 11:30, expect: {AT-421: good}}",
    )
    path = steps(rehearsal, *lines)
    path.write_text("never_heard: AT-421\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    assert differing(played(sample, path)) == []


def test_a_node_of_nobody_is_never_heard(sample: Declared, rehearsal: Path) -> None:
    path = steps(rehearsal, "{at: 10:00}")
    path.write_text("never_heard: [AT-421, AT-999]\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(ConfigurationError, match="1:1: there is no meter `AT-999`"):
        read_rehearsal(path, sample)


def test_plant_software_acknowledges_what_it_has_read(sample: Declared, rehearsal: Path) -> None:
    lines = (
        "{at: 10:00, reads: {AT-121 methane: 12 %LEL}}",
        "{at: 10:01, looked: 09:59, coil: {AT-121 acknowledge: 1}, expect: {AT-121 methane high: unacknowledged}}",
        "{at: 10:02, who: 192.0.2.10, coil: {AT-121 acknowledge: 1}, expect: {AT-121 methane high: acknowledged}}",
    )
    played_lines = played(sample, steps(rehearsal, *lines))
    assert differing(played_lines) == []
    assert "AT-121 methane high: alarm acknowledged at 12, limit 10 by 192.0.2.10 -> acknowledged" in [
        line.text for line in played_lines
    ]


def test_steps_stand_in_the_order_of_their_times(sample: Declared, rehearsal: Path) -> None:
    with pytest.raises(ConfigurationError, match="4:10: this step comes before the one above it"):
        read_rehearsal(steps(rehearsal, "{at: 23:00}", "{at: 01:00}"), sample)
    assert len(read_rehearsal(steps(rehearsal, "{at: 23:00}", "{at: day 2 01:00}"), sample).steps) == 2


def test_all_that_is_wrong_is_told_at_once(sample: Declared, rehearsal: Path) -> None:
    with pytest.raises(ConfigurationError) as error:
        read_rehearsal(steps(rehearsal, "{at: 10:00, test: X on}", "{at: 11:00, reset: Y high}"), sample)
    assert [problem.place.line for problem in error.value.problems] == [3, 4]
