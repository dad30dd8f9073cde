"""The states of an alarm, and the only ways from one to another, after ISA-18.2 (section 5.4) and IEC 62682.

An alarm tells two things apart: whether its condition stands (the process), and whether somebody has taken note of it
(the operator). Four states follow from that:

                        nobody owes anything         somebody must take note
    condition gone      normal                       returned, unacknowledged
    condition stands    acknowledged                 unacknowledged

A latching alarm remembers that its condition stood until somebody resets it, which is a second act after the
acknowledgement, and refused while the condition stands: two more states for it, latched unacknowledged and latched.

Beside these an alarm can be put aside, in one of three ways: shelved by an operator for a limited time, suppressed by
design while a declared condition holds (a part of the plant out of use), or out of service (a meter in test, a
detector under repair). Its condition is followed meanwhile and announces nothing. What it comes back to is decided by
the condition then; what was owed when it was put aside is owed again: putting aside is no acknowledgement and no reset.

`TRANSITIONS` is the whole machine. A pair of state and event that is not in it is an error of whoever caused it: an
operator's act is refused with words, and the program's own is a defect. The letters are those of ISA-18.2-2009
(Figure 3) and its names are used as they stand; letters, figure and clause `from memory`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum, StrEnum

from aggregator.core.errors import AggregatorError


class State(IntEnum):
    """Where an alarm stands. The numbers are shown in registers; 0 is none of them, as gaps read as zero."""

    NORMAL = 1
    UNACKNOWLEDGED = 2
    ACKNOWLEDGED = 3
    RETURNED = 4
    LATCHED_UNACKNOWLEDGED = 5
    LATCHED = 6
    SHELVED = 7
    SUPPRESSED = 8
    OUT_OF_SERVICE = 9

    @property
    def words(self) -> str:
        """The state as people read it."""
        return _WORDS[self]

    @property
    def is_active(self) -> bool:
        """Whether the condition stands and is announced."""
        return self in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)

    @property
    def is_owed(self) -> bool:
        """Whether somebody has yet to take note."""
        return self in (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED)

    @property
    def is_latched(self) -> bool:
        """Whether the condition has gone and a reset is still due."""
        return self in (State.LATCHED_UNACKNOWLEDGED, State.LATCHED)

    @property
    def is_aside(self) -> bool:
        """Whether the alarm announces nothing by somebody's decision."""
        return self in (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)


_WORDS = {
    State.NORMAL: "normal",
    State.UNACKNOWLEDGED: "unacknowledged",
    State.ACKNOWLEDGED: "acknowledged",
    State.RETURNED: "returned, unacknowledged",
    State.LATCHED_UNACKNOWLEDGED: "latched, unacknowledged",
    State.LATCHED: "latched, acknowledged",
    State.SHELVED: "shelved",
    State.SUPPRESSED: "suppressed by design",
    State.OUT_OF_SERVICE: "out of service",
}

LETTERS = dict(zip(State, "ABCDEFGHI", strict=True))


class Event(StrEnum):
    """What can happen to an alarm: its condition changes, somebody acts, or a time runs out."""

    RAISE = "condition begins"
    CLEAR = "condition ends"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    ANNOUNCE_AGAIN = "announce again"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    UNSUPPRESS = "end of suppression"
    TAKE_OUT = "take out of service"
    PUT_BACK = "put back into service"


class When(Enum):
    """What else must hold for a transition: words for people, and the test."""

    ALWAYS = ""
    PLAIN = "does not latch"
    LATCHING = "latches"
    STANDS = "condition stands"
    GONE = "condition gone, nothing was owed"
    GONE_OWED = "condition gone, was unacknowledged"
    GONE_LATCHED = "condition gone, a reset was due"

    def holds(self, alarm: Standing) -> bool:
        """Whether it holds for an alarm as it stands."""
        match self:
            case When.ALWAYS:
                return True
            case When.PLAIN | When.LATCHING:
                return alarm.latches is (self is When.LATCHING)
            case When.STANDS:
                return alarm.condition
        if alarm.condition:
            return False
        reset_due = alarm.behind.is_latched or (alarm.latches and alarm.behind.is_active)
        if self is When.GONE_LATCHED:
            return reset_due
        return not reset_due and alarm.behind.is_owed is (self is When.GONE_OWED)


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm as it stands: its state, whether its condition stands, and what lies behind a state of being aside.

    `latches` is the alarm's nature, or what an over-range has made of it until the next reset.
    """

    state: State = State.NORMAL
    condition: bool = False
    behind: State = State.NORMAL
    latches: bool = False


@dataclass(frozen=True, slots=True)
class Transition:
    """One arrow: from a state by an event, where `when` holds, to another."""

    state: State
    event: Event
    to: State
    when: When = When.ALWAYS


def _back(state: State, event: Event) -> list[Transition]:
    return [
        Transition(state, event, State.UNACKNOWLEDGED, When.STANDS),
        Transition(state, event, State.LATCHED_UNACKNOWLEDGED, When.GONE_LATCHED),
        Transition(state, event, State.RETURNED, When.GONE_OWED),
        Transition(state, event, State.NORMAL, When.GONE),
    ]


def _aside(state: State) -> list[Transition]:
    return [
        Transition(state, Event.SHELVE, State.SHELVED),
        Transition(state, Event.SUPPRESS, State.SUPPRESSED),
        Transition(state, Event.TAKE_OUT, State.OUT_OF_SERVICE),
    ]


def _followed(state: State) -> list[Transition]:
    return [Transition(state, Event.RAISE, state), Transition(state, Event.CLEAR, state)]


TRANSITIONS: tuple[Transition, ...] = (
    Transition(State.NORMAL, Event.RAISE, State.UNACKNOWLEDGED),
    *_aside(State.NORMAL),
    Transition(State.UNACKNOWLEDGED, Event.ACKNOWLEDGE, State.ACKNOWLEDGED),
    Transition(State.UNACKNOWLEDGED, Event.CLEAR, State.RETURNED, When.PLAIN),
    Transition(State.UNACKNOWLEDGED, Event.CLEAR, State.LATCHED_UNACKNOWLEDGED, When.LATCHING),
    *_aside(State.UNACKNOWLEDGED),
    Transition(State.ACKNOWLEDGED, Event.CLEAR, State.NORMAL, When.PLAIN),
    Transition(State.ACKNOWLEDGED, Event.CLEAR, State.LATCHED, When.LATCHING),
    Transition(State.ACKNOWLEDGED, Event.ANNOUNCE_AGAIN, State.UNACKNOWLEDGED),
    *_aside(State.ACKNOWLEDGED),
    Transition(State.RETURNED, Event.ACKNOWLEDGE, State.NORMAL),
    Transition(State.RETURNED, Event.RAISE, State.UNACKNOWLEDGED),
    *_aside(State.RETURNED),
    Transition(State.LATCHED_UNACKNOWLEDGED, Event.ACKNOWLEDGE, State.LATCHED),
    Transition(State.LATCHED_UNACKNOWLEDGED, Event.RAISE, State.UNACKNOWLEDGED),
    *_aside(State.LATCHED_UNACKNOWLEDGED),
    Transition(State.LATCHED, Event.RESET, State.NORMAL),
    Transition(State.LATCHED, Event.RAISE, State.UNACKNOWLEDGED),
    *_aside(State.LATCHED),
    *_followed(State.SHELVED),
    *_back(State.SHELVED, Event.UNSHELVE),
    Transition(State.SHELVED, Event.SUPPRESS, State.SUPPRESSED),
    Transition(State.SHELVED, Event.TAKE_OUT, State.OUT_OF_SERVICE),
    *_followed(State.SUPPRESSED),
    *_back(State.SUPPRESSED, Event.UNSUPPRESS),
    Transition(State.SUPPRESSED, Event.TAKE_OUT, State.OUT_OF_SERVICE),
    *_followed(State.OUT_OF_SERVICE),
    *_back(State.OUT_OF_SERVICE, Event.PUT_BACK),
)

_TABLE: dict[tuple[State, Event], list[Transition]] = {}
for _each in TRANSITIONS:
    _TABLE.setdefault((_each.state, _each.event), []).append(_each)


class NotInTable(AggregatorError):
    """An event that cannot happen to an alarm in that state. The message says why, for whoever asked for it."""

    def __init__(self, state: State, event: Event) -> None:
        self.state = state
        self.event = event
        super().__init__(_why_not(state, event))


def after(alarm: Standing, event: Event) -> Standing:
    """How an alarm stands after an event. Raises NotInTable."""
    condition = True if event is Event.RAISE else False if event is Event.CLEAR else alarm.condition
    for transition in _TABLE.get((alarm.state, event), ()):
        if transition.when.holds(Standing(alarm.state, condition, alarm.behind, alarm.latches)):
            behind = alarm.behind if alarm.state.is_aside else alarm.state
            return Standing(transition.to, condition, behind if transition.to.is_aside else State.NORMAL, alarm.latches)
    raise NotInTable(alarm.state, event)


def _why_not(state: State, event: Event) -> str:
    if event is Event.RESET and state.is_active:
        return f"the alarm is {state.words}: its condition still stands, and a reset would hide it"
    if event is Event.RESET and state.is_owed:
        return f"the alarm is {state.words}: acknowledge it first, then reset it"
    if event is Event.ACKNOWLEDGE and state.is_aside:
        return f"the alarm is {state.words}: there is nothing to acknowledge until it comes back"
    return f"an alarm that is {state.words} takes no '{event}'"


def diagram() -> str:
    """The machine as a Mermaid state diagram, for the documents; transitions that stay where they are left out."""
    arrows: dict[tuple[State, State], list[str]] = {}
    for each in TRANSITIONS:
        if each.to is not each.state:
            label = f"{each.event} ({each.when.value})" if each.when.value else str(each.event)
            arrows.setdefault((each.state, each.to), []).append(label)
    states = [f'    state "{LETTERS[state]} {state.words}" as {LETTERS[state]}' for state in State]
    lines = [f"    {LETTERS[a]} --> {LETTERS[b]}: {'; '.join(labels)}" for (a, b), labels in arrows.items()]
    return "\n".join(["stateDiagram-v2", *states, "    [*] --> A", *lines, ""])
