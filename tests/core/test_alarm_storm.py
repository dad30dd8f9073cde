"""A storm of alarms: 500 detectors in a minute, 50 that waver, one over its range, silence, and a restart.

To be held (common practice, no source): no alarm is lost, none acknowledged unseen, an over-range stays latched, and
what wavers within its deadband adds nothing to the rate.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from aggregator.core.alarm import Alarm, Alarms, Kind, Priority
from aggregator.core.alarm_figures import alarm_figures
from aggregator.core.alarm_state import State
from aggregator.core.keeping import Kept, KeptEvent, Remembered
from aggregator.core.reading import Reason
from aggregator.core.rehearsal import FIRST_MIDNIGHT, Recalled, Rehearsal, Stage, Step
from aggregator.core.response import acknowledge
from aggregator.core.site import Site

METHANE, MANY, WAVERING = 2, 500, 50
NOON = 12 * 3600.0


def states(stage: Stage) -> dict[str, State]:
    return {tag: live.state for (tag, _), live in stage.site.annunciator.alarms.items()}


def test_a_storm_loses_no_alarm_and_acknowledges_none_unseen(
    site_of: Callable[..., Site], remembered: Callable[[Sequence[Kept]], dict[str, Remembered]]
) -> None:
    declared = site_of(MANY).declared
    tags = [meter.tag for meter in declared.meters]
    alarms = tuple(Alarm(tag, "methane high", Kind.HIGH, Priority.HIGH, METHANE, 20.0, 2.0) for tag in tags)

    def recall(kept: Sequence[Kept]) -> Recalled:
        return Recalled(remembered(kept), (), lambda _tag, _fields, _since: ())

    stage = Stage(replace(declared, alarms=Alarms(alarms)), Rehearsal("a storm", (Step(NOON, ""),)), recall)
    stage.pass_time(NOON)
    for number, tag in enumerate(tags[1:]):
        stage.pass_time(NOON + number * 0.12)
        stage.read(tag, {METHANE: 30.0})
    for turn in range(6):
        stage.pass_time(NOON + 60 + turn)
        for tag in tags[1 : 1 + WAVERING]:
            stage.read(tag, {METHANE: 18.5 if turn % 2 else 21.0})
    seen = stage.now()
    stage.pass_time(NOON + 70)
    stage.read(tags[0], {METHANE: 180.0})  # after who acknowledges has looked
    stage.act(
        lambda site, now: site.respond(
            lambda all_: acknowledge(all_, all_.alarms.values(), seen.monotonic, "panel", now)
        )
    )
    assert states(stage) == {**dict.fromkeys(tags, State.ACKNOWLEDGED), tags[0]: State.UNACKNOWLEDGED}
    stage.read(tags[0], {METHANE: 0.0})  # starved of oxygen, it reads low
    stage.be_silent(tags[1], float("inf"))
    before = states(stage)
    stage.restart(0.0)
    assert states(stage) == before
    assert before[tags[0]] is State.LATCHED_UNACKNOWLEDGED
    stage.pass_time(NOON + 3600)
    assert stage.site.states[tags[1]].reasons & Reason.STALE
    assert states(stage) == before, "silence has changed an alarm"
    journal = [each for each in stage.kept if isinstance(each, KeptEvent)]
    raised = [each.tag for each in journal if each.event == "alarm raised"]
    assert sorted(str(tag) for tag in raised) == sorted(tags), "each once, however it wavers"
    found = alarm_figures(journal, FIRST_MIDNIGHT + NOON, FIRST_MIDNIGHT + NOON + 3600)
    assert (found.announced, found.most_in_period, found.flooded_periods, found.flooded_hours) == (MANY, MANY, 1, 1)
    assert not found.chattering
