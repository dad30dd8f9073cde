"""How far a new value can be trusted."""

from __future__ import annotations

from aggregator.core.profile import Field
from aggregator.core.reading import NEVER, Fault, Reading, Reason, Times, Value

OUT_OF_RANGE = int(Reason.OUT_OF_RANGE)
SENSOR_FAULT = int(Reason.SENSOR_FAULT)
JUMPED = int(Reason.JUMPED)
STUCK = int(Reason.STUCK)
LOW_BATTERY = int(Reason.LOW_BATTERY)

_new = tuple.__new__  # a named tuple's own constructor takes three times as long, and every value gets a reading


def judge(
    field: Field,
    value: Value | Fault,
    times: Times,
    reasons: int = 0,
    before: Reading = NEVER,
    still_since: float | None = None,
) -> Reading:
    """The reading that a decoded value makes. `value` is in the field's unit, or a fault that the meter reports.

    `before` is the field's last reading, `still_since` the monotonic instant from which on it has had that value.
    A value out of range is kept and flagged: it may be the leak that matters, so it must not be hidden. Only what the
    sensor can't show at all is no measurement.
    """
    if isinstance(value, Fault):
        return _new(Reading, (None, reasons | SENSOR_FAULT, times))
    if isinstance(value, str):
        return _new(Reading, (value, reasons, times))
    if field.can_show is not None and not field.can_show[0] <= value <= field.can_show[1]:
        return _new(Reading, (None, reasons | SENSOR_FAULT, times))
    if not field.low <= value <= field.high:
        reasons |= OUT_OF_RANGE
    if field.low_below is not None and value < field.low_below:
        reasons |= LOW_BATTERY
    if before.times is not None:
        if field.fastest is not None and jumped(field.fastest, before, value, times):
            reasons |= JUMPED
        if field.stuck_after is not None and still_since is not None and value == before.value:
            reasons |= STUCK if times.since - still_since >= field.stuck_after else 0
    return _new(Reading, (value, reasons, times))


def jumped(fastest: float, before: Reading, value: float, times: Times) -> bool:
    """Whether a field has changed by more than it can since its last reading.

    Held against the last value shown, a jump itself included: a change that was real is confirmed by the next reading.
    """
    if before.times is None or before.value is None or isinstance(before.value, str):
        return False
    elapsed = max(0.0, times.since - before.times.since)
    return abs(value - before.value) > fastest * elapsed
