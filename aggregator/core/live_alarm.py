"""One alarm as it now stands: its state, its condition, what raised it, and what of it must outlive a restart."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from aggregator.core.alarm import OVER_RANGE, Alarm, Member, Proof
from aggregator.core.alarm_state import Event, Standing, State, after
from aggregator.core.condition import Condition
from aggregator.core.keeping import alarm_name
from aggregator.core.outbox import Note, Outbox
from aggregator.core.reading import Now

WARNS = (State.UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED)

SAYS = {
    Event.RAISE: "alarm raised",
    Event.CLEAR: "alarm cleared",
    Event.ACKNOWLEDGE: "alarm acknowledged",
    Event.RESET: "alarm reset",
    Event.ANNOUNCE_AGAIN: "alarm announced again",
    Event.SHELVE: "alarm shelved",
    Event.UNSHELVE: "alarm unshelved",
    Event.SUPPRESS: "alarm suppressed by design",
    Event.UNSUPPRESS: "alarm no longer suppressed",
    Event.TAKE_OUT: "alarm taken out of service",
    Event.PUT_BACK: "alarm put back into service",
}


AT_REST = (None, 0, None, None, None, False)  # what of an alarm at rest changes without a change of state


class Shelf(NamedTuple):
    """On what terms an alarm is shelved: until when (monotonic s), by whom and why."""

    until: float
    who: str
    why: str


class LiveAlarm:
    """One alarm. `sequence` numbers its last raising across the whole site, 0 before the first.

    `value` is what raised it, `peak` the furthest of that raising and of no other; `raised` that moment as UTC,
    `announced` (monotonic s) since when the registers show it as unacknowledged. `coming` is what the readings had that
    would raise it once its delay is over, the last and the furthest: they count if it is raised, and else for nothing.
    """

    __slots__ = (
        "_kept",
        "alarm",
        "announced",
        "coming",
        "condition",
        "looked_for",
        "outbox",
        "over_range",
        "peak",
        "raised",
        "sequence",
        "setpoint",
        "shelf",
        "silent",
        "standing",
        "value",
        "voted",
    )

    def __init__(self, alarm: Alarm, outbox: Outbox) -> None:
        self.alarm = alarm
        self.outbox = outbox
        self.setpoint = alarm.setpoint
        self.condition = Condition(alarm.on, alarm.off)
        self.standing = Standing(latches=alarm.latches)
        self.over_range = False  # has been beyond what the detector can measure: latches until it is reset
        self.silent = alarm.kind.is_of_a_field  # what it watches proves nothing just now; so until the first reading
        self.sequence = 0
        self.raised: float | None = None
        self.announced = -math.inf
        self.value: float | None = None
        self.peak: float | None = None
        self.coming: tuple[float, float] | None = None
        self.shelf: Shelf | None = None
        self.voted = Member.QUIET  # the vote that its groups have counted
        self.looked_for = math.inf  # the monotonic second at which somebody will look at it again
        self._kept = self._unannounced()

    @property
    def state(self) -> State:
        return self.standing.state

    @property
    def vote(self) -> Member:
        """How it counts in a vote. A shelved alarm is only kept quiet: what it watches counts all the same."""
        if self.state in (State.SUPPRESSED, State.OUT_OF_SERVICE):
            return Member.OUT
        if self.condition.stands:
            return Member.DEMANDS
        return Member.SILENT if self.silent else Member.QUIET

    @property
    def is_normal(self) -> bool:
        """Whether there is nothing to say of it."""
        return self.state is State.NORMAL

    @property
    def is_quiet(self) -> bool:
        """Whether it announces nothing and owes nothing."""
        return self.state is State.NORMAL or self.state.is_aside

    @property
    def rests(self) -> bool:
        """Whether it is normal, proven to be so, and has nothing to wait for or to keep: what nearly all do."""
        condition = self.condition
        return (
            self.standing.state is State.NORMAL
            and not condition.stands
            and condition.waits_since is None
            and not self.silent
            and self.value is None
            and self.voted is Member.QUIET
            and self._kept == AT_REST
        )

    def announce_again_at(self) -> float:
        """The monotonic second at which it is announced once more, if it still stands acknowledged then."""
        return math.inf if self.alarm.again_after is None else self.announced + self.alarm.again_after

    def due(self) -> float:
        """The monotonic second at which something happens to it by itself, infinite where nothing does."""
        due = self.condition.due()
        if self.shelf is not None:
            due = min(due, self.shelf.until)
        if self.state is State.ACKNOWLEDGED:
            due = min(due, self.announce_again_at())
        return due

    def take(self, proof: Proof, value: float | None, reasons: int, since: float) -> None:
        """Take what a reading proves; `settle` by the caller draws the conclusion."""
        self.silent = proof is Proof.UNKNOWN or (value is None and self.alarm.kind.is_of_a_field)
        self.condition.take(proof, since)
        if self.coming is not None and self.condition.waits_since is None:
            self.coming = None
        if proof is not Proof.BEYOND or value is None:
            return
        farther = min if self.alarm.kind.is_downward else max
        if self.condition.stands:
            self.value = value if self.value is None else self.value
            self.peak = value if self.peak is None else farther(self.peak, value)
        else:
            self.coming = (value, value if self.coming is None else farther(self.coming[1], value))
        if reasons & OVER_RANGE and self.alarm.kind.is_upward and value >= self.setpoint:
            self.over_range = True
            self.standing = Standing(self.state, self.standing.condition, self.standing.behind, latches=True)

    def happen(self, event: Event, now: Now, who: str = "", **facts: object) -> Note:
        """Let an event happen. Raises NotInTable, and nothing has changed then.

        Returns the note for the log; journal and memory have it as well.
        """
        self.standing = after(self.standing, event)
        if event is Event.RAISE:
            self.raised = now.utc
            self.value, self.peak = self.coming or (None, None)
            self.coming = None
        if self.state.is_owed and event is not Event.CLEAR:
            self.announced = now.monotonic
        if self.state is not State.SHELVED:
            self.shelf = None
        if self.state is State.NORMAL and not self.standing.condition:
            self._forget()
        self.keep(now)
        about = {
            "alarm": self.alarm.name,
            "state": self.state.words,
            "value": self.value,
            "setpoint": self.setpoint if self.alarm.kind.has_limit else None,
            "priority": self.alarm.priority.name.lower(),
            "sequence": self.sequence,
            **facts,
        }
        warning = self.state in WARNS and event in (Event.RAISE, Event.ANNOUNCE_AGAIN)
        return self.outbox.event(SAYS[event], self.alarm.tag, now, about, who=who, warning=warning)

    def _forget(self) -> None:
        """Normal again: what made it latch is over."""
        self.over_range = False
        self.value = self.peak = self.coming = None
        self.standing = Standing(latches=self.alarm.latches)

    def keep(self, now: Now) -> None:
        """Have all that must outlive a restart remembered."""
        self._kept = self._unannounced()
        self.outbox.state(self.alarm.tag, alarm_name(self.alarm.name), self.memory(now))

    def memory(self, now: Now) -> dict[str, object]:
        """All that must outlive a restart, as JSON values; `restore` takes it back."""
        kept: dict[str, object] = {
            "state": int(self.state),
            "behind": int(self.standing.behind),
            "over_range": self.over_range,
            "sequence": self.sequence,
            "raised": self.raised,
            "announced": now.utc - (now.monotonic - self.announced) if math.isfinite(self.announced) else None,
            "value": self.value,
            "peak": self.peak,
            "coming": self.coming and list(self.coming),
            **self.condition.kept(now),
        }
        if self.setpoint != self.alarm.setpoint:
            kept["setpoint"] = self.setpoint
        if self.shelf is not None:
            until = now.utc + self.shelf.until - now.monotonic
            kept["shelf"] = {"until": until, "who": self.shelf.who, "why": self.shelf.why}
        return kept

    def keep_changes(self, now: Now) -> bool:
        """Have it remembered what has changed without a change of state: a delay, the peak, an over-range.

        Returns whether anything has.
        """
        if self._kept == self._unannounced():
            return False
        self.keep(now)
        return True

    def _unannounced(self) -> tuple[object, ...]:
        return self.condition.waits_since, self.condition.samples, self.value, self.peak, self.coming, self.over_range

    def restore(self, kept: Mapping[str, object], now: Now) -> None:
        """Stand as before a restart, exactly. Its setpoint depends on others (`Annunciator.restore`)."""
        match kept:
            case {"state": int(state), "behind": int(behind), "over_range": bool(over), "sequence": int(sequence)}:
                self.over_range, self.sequence = over, sequence
                self.condition.restore(kept, now)
                latches = self.alarm.latches or over
                self.standing = Standing(State(state), self.condition.stands, State(behind), latches)
        self.raised, announced = number_of(kept.get("raised")), number_of(kept.get("announced"))
        if announced is not None:
            self.announced = now.monotonic - max(0.0, now.utc - announced)
        self.value, self.peak = number_of(kept.get("value")), number_of(kept.get("peak"))
        match kept.get("coming"):
            case [int() | float() as value, int() | float() as peak]:
                self.coming = value, peak
        match kept.get("shelf"):
            case {"until": int() | float() as until, "who": str(who), "why": str(why)}:
                self.shelf = Shelf(now.monotonic + until - now.utc, who, why)
            case _ if self.state is State.SHELVED:
                self.shelf = Shelf(now.monotonic, "", "")  # nobody knows its end any more: it ends now
        self._kept = self._unannounced()

    def minutes_shelved(self, now: Now) -> int:
        """How many more minutes it is shelved, one that has begun counted whole; 0 where it is not."""
        return 0 if self.shelf is None else max(0, math.ceil((self.shelf.until - now.monotonic) / 60))

    def allows(self, setpoint: float) -> bool:
        """Whether the setpoint may be set to that while the service runs."""
        bounds = self.alarm.may_be
        return bounds is not None and bounds[0] <= setpoint <= bounds[1]


def number_of(value: object) -> float | None:
    """A number that was kept; None for anything else."""
    return value if isinstance(value, int | float) and not isinstance(value, bool) else None
