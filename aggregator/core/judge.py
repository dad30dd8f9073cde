"""How far a new value can be trusted, and what its age counts from."""

from __future__ import annotations

from aggregator.core.profile import Field
from aggregator.core.reading import Now, Reading, Reason, Times, Value

OUT_OF_RANGE = int(Reason.OUT_OF_RANGE)
SENSOR_FAULT = int(Reason.SENSOR_FAULT)
NODE_CLOCK_OFF = int(Reason.NODE_CLOCK_OFF)

_new = tuple.__new__  # a named tuple's own constructor takes three times as long, and every value gets a reading

AHEAD = 60.0  # s that another clock may run ahead of this one before it is not believed
OLDEST = 31 * 86400.0  # s; a time further back than any node buffers is a clock that was never set


def judge(field: Field, value: Value | None, times: Times, reasons: int = 0) -> Reading:
    """The reading that a decoded value makes. `value` is in the field's unit; None is a fault the meter reports.

    A value out of range is kept and flagged: it may be the leak that matters, so it must not be hidden.
    """
    if value is None:
        return _new(Reading, (None, reasons | SENSOR_FAULT, times))
    if not isinstance(value, str) and not field.low <= value <= field.high:
        reasons |= OUT_OF_RANGE
    return _new(Reading, (value, reasons, times))


def believable(moment: float | None, now: Now) -> bool:
    """Whether another clock's time can be true by this clock: not in the future, not older than a node buffers."""
    return moment is not None and now.utc - OLDEST <= moment <= now.utc + AHEAD


def time_of(observed: float | None, received: float | None, now: Now) -> tuple[Times, int]:
    """An uplink's times, and NODE_CLOCK_OFF where the node's clock said something impossible.

    Age counts from `observed` where that is believable, else from `received`, else from arrival. A gateway whose own
    clock runs ahead makes readings look older than they are, never fresher; one whose clock was never set finds every
    other in the future, and counts from arrival.
    """
    age = 0.0
    reasons = 0
    if observed is not None and believable(observed, now) and (received is None or observed <= received + AHEAD):
        age = now.utc - observed
    else:
        reasons = NODE_CLOCK_OFF if observed is not None else 0
        if received is not None and believable(received, now):
            age = now.utc - received
    return Times(observed, received, now.utc, now.monotonic - max(0.0, age)), reasons
