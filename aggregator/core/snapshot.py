"""One meter as it now stands, as plain data: what commands answer and what is sent to whoever consumes readings.

Times are UTC seconds, lengths of time seconds. What is not known is None. There is no NaN and no infinity in it, so
that it may be written as JSON.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from aggregator.core.alarm import Alarm, worst_detection
from aggregator.core.annunciator import Annunciator, unit_of
from aggregator.core.heard import HeardUplink
from aggregator.core.live_alarm import LiveAlarm
from aggregator.core.meter import UNDER_TEST, Meter, MeterState
from aggregator.core.profile import Profile
from aggregator.core.reading import Now, grade_of, reason_word, reasons_in
from aggregator.core.substitute import Substitute
from aggregator.core.trouble import alarm_sentence, quality_sentence, stands_in_test, trouble_of, worst_first
from aggregator.core.unpacking import unpack

Told = dict[str, Any]


def meter_told(state: MeterState, annunciator: Annunciator, now: Now) -> Told:
    """All that is known of a meter at this moment."""
    meter, age = state.meter, state.age(now.monotonic)
    return {
        "tag": meter.tag,
        "name": meter.name,
        "area": meter.area,
        "profile": meter.profile.name,
        "node": state.node,
        "reports_every": meter.reports_every,
        "stale_after": meter.stale_after,
        **quality_told(state.reasons),
        "says": quality_sentence(state, now),
        "trouble": trouble_of(state, annunciator),
        "under_test": bool(state.reasons & UNDER_TEST),
        "test": None if state.held is None else state.held._asdict(),
        "heard": None if age is None else now.utc - age,
        "age": age,
        "counter": state.counter,
        "radio": state.radio._asdict(),
        "loss": loss_told(state),
        "battery": _battery_told(state),
        "fields": [field_told(state, index, now) for index in range(len(meter.profile.fields))],
        "alarms": [
            alarm_told(live, state, annunciator, now) for live in worst_first(annunciator.by_tag.get(meter.tag, ()))
        ],
    }


def quality_told(reasons: int) -> Told:
    """A grade and its reasons in words, as `good` and `["low battery"]`."""
    return {"grade": grade_of(reasons).name.lower(), "reasons": [reason_word(each) for each in reasons_in(reasons)]}


def field_told(state: MeterState, index: int, now: Now) -> Told:
    """One field as it is shown. `read` is what the meter itself reported, also where another value lies over it."""
    field, shown, total = state.meter.profile.fields[index], state.shown[index], state.totals.get(index)
    substitute, times = state.substitutes.get(index), shown.times
    return {
        "field": field.name,
        "label": field.label,
        "unit": field.unit,
        "decimals": field.decimals,
        "value": shown.value,
        **quality_told(shown.reasons),
        "observed": None if times is None else times.observed,
        "received": None if times is None else times.received,
        "arrived": None if times is None else times.arrived,
        "age": state.age(now.monotonic, index),
        "stale_after": state.meter.limit(index),
        "low": finite(field.low),
        "high": finite(field.high),
        "computed": field.computed is not None,
        "optional": field.optional,
        "counts": field.counting is not None,
        "total": None if total is None else total.so_far,
        "read": state.readings[index].value,
        "substitute": None if substitute is None else _entry_told(substitute, now),
    }


def substitute_told(state: MeterState, index: int, now: Now) -> Told:
    """What is shown in place of a field's readings, and by whom, until when."""
    field, each = state.meter.profile.fields[index], state.substitutes[index]
    return {"tag": state.meter.tag, "field": field.name, "unit": field.unit, **_entry_told(each, now)}


def _entry_told(entry: Substitute, now: Now) -> Told:
    until = now.utc + (entry.ends - now.monotonic)
    return {"value": entry.value, "who": entry.who, "why": entry.why, "until": until}


def loss_told(state: MeterState) -> Told:
    """How many of a node's uplinks get lost: percent over the last day, and how many since the start."""
    return {"over_a_day": state.sequence.loss.over_a_day(), "since_start": state.sequence.lost}


def _battery_told(state: MeterState) -> Told | None:
    """What the battery of the node that sits there holds, None where the meter model has no field of it."""
    index = state.meter.profile.battery
    if index is None:
        return None
    field, value = state.meter.profile.fields[index], state.shown[index].value if state.is_of_now(index) else None
    return {"field": field.name, "value": value, "unit": field.unit, "low_below": field.low_below}


def uplinks_told(state: MeterState) -> list[Told]:
    """The last uplinks of a meter's node since the start, newest first, and how each reads, step by step."""
    return [_uplink_told(each, state.meter.profile) for each in reversed(state.newest)]


def _uplink_told(heard: HeardUplink, profile: Profile) -> Told:
    uplink = heard.uplink
    return {
        "at": heard.at,
        "topic": heard.topic,
        "node": uplink.node,
        "counter": uplink.counter,
        "port": uplink.port,
        "session": uplink.session,
        "observed": uplink.observed,
        "received": uplink.received,
        "radio": uplink.radio._asdict(),
        "payload": None if uplink.payload is None else uplink.payload.hex(" "),
        "decoded": uplink.decoded,
        **asdict(unpack(profile, uplink)),
    }


def alarm_told(live: LiveAlarm, state: MeterState | None, annunciator: Annunciator, now: Now) -> Told:
    """One alarm as it stands; `state` is that of its meter, None for the alarm of a group.

    `in_test` is one whose condition stands, and which announces nothing because the meter is held in test.
    `written` is the unit in which people wrote a rate, and what `value`, `peak` and limits are times to be in it;
    `value` is what raised it, `peak` the furthest of that raising, `now` what the field reads at this moment.
    """
    alarm, has_limit = live.alarm, live.alarm.kind.has_limit
    meter = None if state is None else state.meter
    in_test = state is not None and stands_in_test(state, live)
    return {
        "tag": alarm.tag,
        "name": "" if meter is None else meter.name,
        "area": "" if meter is None else meter.area,
        "alarm": alarm.name,
        "field": None if meter is None or alarm.index is None else meter.profile.fields[alarm.index].name,
        "state": live.state.words,
        "says": alarm_sentence(live, in_test=in_test),
        "in_test": in_test,
        "owed": live.state.is_owed,
        "aside": live.state.is_aside,
        "latches": live.standing.latches,
        "priority": alarm.priority.name.lower(),
        "condition": live.condition.stands,
        "value": live.value,
        "peak": live.peak,
        "now": None if meter is None or alarm.index is None else _present_told(live, alarm.index, meter, annunciator),
        "setpoint": live.setpoint if has_limit else None,
        "setpoint_of_file": alarm.setpoint if has_limit else None,
        "may_be": None if alarm.may_be is None else list(alarm.may_be),
        "unit": unit_of(alarm, meter),
        "written": None if alarm.written is None else alarm.written._asdict(),
        "raised": live.raised,
        "sequence": live.sequence,
        "message": alarm.message,
        "action": alarm.action,
        "detected_within": None if meter is None else _within(alarm, meter),
        "shelf": _shelf_told(live, now),
    }


def _present_told(live: LiveAlarm, index: int, meter: Meter, annunciator: Annunciator) -> Told:
    value, reasons = annunciator.present(live)
    return {"value": value, "unit": meter.profile.fields[index].unit, **quality_told(reasons)}


def _within(alarm: Alarm, meter: Meter) -> float | None:
    return worst_detection(alarm, meter.reports_every, meter.stale_after)


def _shelf_told(live: LiveAlarm, now: Now) -> Told | None:
    shelf = live.shelf
    if shelf is None:
        return None
    return {"until": now.utc + shelf.until - now.monotonic, "who": shelf.who, "why": shelf.why}


def finite(number: float) -> float | None:
    """A bound, None where there is none."""
    return number if math.isfinite(number) else None
