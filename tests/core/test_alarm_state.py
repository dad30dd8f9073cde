"""The alarm states against ISA-18.2-2009 Figure 3 and IEC 62682 (letters, names and arrows `from memory`).

The set A, B, C, D with D to B, and the ways into and out of shelving, stand in public ISA-18.2 state diagrams as well;
that a latched alarm "does not clear until explicitly reset, even if the value returns to normal" is OPC 10000-9 4.8.
"""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.alarm_state import (
    LETTERS,
    TRANSITIONS,
    Event,
    NotInTable,
    Standing,
    State,
    When,
    after,
    diagram,
)

A, B, C, D, E, F, G, H, _ = State
ISA_ARROWS = [  # letter, event, letter; latching where it says so
    ("A", Event.RAISE, "B", False),
    ("B", Event.ACKNOWLEDGE, "C", False),
    ("C", Event.CLEAR, "A", False),
    ("B", Event.CLEAR, "D", False),
    ("D", Event.ACKNOWLEDGE, "A", False),
    ("D", Event.RAISE, "B", False),
    ("C", Event.ANNOUNCE_AGAIN, "B", False),
    ("B", Event.CLEAR, "E", True),
    ("E", Event.ACKNOWLEDGE, "F", True),
    ("C", Event.CLEAR, "F", True),
    ("F", Event.RESET, "A", True),
    ("A", Event.SHELVE, "G", False),
    ("B", Event.SHELVE, "G", False),
    ("C", Event.SUPPRESS, "H", False),
    ("D", Event.TAKE_OUT, "I", False),
]


@pytest.mark.parametrize(("letter", "event", "to", "latches"), ISA_ARROWS)
def test_the_arrows_of_the_standard_are_the_arrows_of_the_table(
    letter: str, event: Event, to: str, latches: bool
) -> None:
    states = {letter: state for state, letter in LETTERS.items()}
    stands = states[letter] in (B, C)
    assert LETTERS[after(Standing(states[letter], stands, latches=latches), event).state] == to


def test_every_state_can_be_reached_and_left() -> None:
    assert {each.to for each in TRANSITIONS} == set(State)
    assert {each.state for each in TRANSITIONS if each.to is not each.state} == set(State)


def test_what_a_pair_leads_to_is_never_ambiguous_and_never_open() -> None:
    for (state, event), group in itertools.groupby(TRANSITIONS, lambda each: (each.state, each.event)):
        rows = list(group)
        for condition, behind, latches in itertools.product((True, False), State, (True, False)):
            if behind.is_aside:
                continue  # what lies behind is never itself aside
            holding = [each for each in rows if each.when.holds(Standing(state, condition, behind, latches))]
            assert len(holding) == 1, (state, event, condition, behind, latches)


def test_an_event_that_is_not_in_the_table_is_an_error() -> None:
    pairs = {(each.state, each.event) for each in TRANSITIONS}
    missing = [pair for pair in itertools.product(State, Event) if pair not in pairs]
    assert len(missing) > 20
    for state, event in missing:
        with pytest.raises(NotInTable):
            after(Standing(state), event)


@pytest.mark.parametrize("state", [B, C])
def test_a_reset_is_refused_while_the_condition_stands(state: State) -> None:
    with pytest.raises(NotInTable, match="still stands"):
        after(Standing(state, condition=True, latches=True), Event.RESET)


def test_a_latched_alarm_is_acknowledged_before_it_is_reset() -> None:
    latched = after(after(Standing(latches=True), Event.RAISE), Event.CLEAR)
    with pytest.raises(NotInTable, match="acknowledge it first"):
        after(latched, Event.RESET)
    assert after(after(latched, Event.ACKNOWLEDGE), Event.RESET).state is A


@pytest.mark.parametrize("aside", [(Event.SHELVE, Event.UNSHELVE), (Event.SUPPRESS, Event.UNSUPPRESS)])
def test_what_was_owed_before_an_alarm_was_put_aside_is_owed_again(aside: tuple[Event, Event]) -> None:
    away, back = aside
    shelved = after(after(Standing(), Event.RAISE), away)
    assert after(after(shelved, Event.CLEAR), back).state is D


def test_a_latch_outlives_being_out_of_service() -> None:
    latched = after(after(after(Standing(latches=True), Event.RAISE), Event.CLEAR), Event.TAKE_OUT)
    assert after(latched, Event.PUT_BACK).state is E


def test_a_condition_that_begins_while_shelved_is_announced_when_it_comes_back() -> None:
    shelved = after(after(Standing(), Event.SHELVE), Event.RAISE)
    assert shelved.state is G
    assert after(shelved, Event.UNSHELVE).state is B


def test_test_gas_that_came_and_went_in_test_leaves_nothing_behind() -> None:
    tested = after(after(after(Standing(latches=True), Event.TAKE_OUT), Event.RAISE), Event.CLEAR)
    assert after(tested, Event.PUT_BACK).state is A


def test_out_of_service_comes_before_suppression_and_that_before_shelving() -> None:
    assert after(after(Standing(), Event.SHELVE), Event.SUPPRESS).state is H
    assert after(after(Standing(), Event.SUPPRESS), Event.TAKE_OUT).state is State.OUT_OF_SERVICE
    with pytest.raises(NotInTable):
        after(after(Standing(), Event.TAKE_OUT), Event.SHELVE)


events = st.lists(st.sampled_from(list(Event)), max_size=60)


@given(events, st.booleans())
def test_an_owed_alarm_is_never_forgotten_but_by_an_acknowledgement(happening: list[Event], latches: bool) -> None:
    """Whatever happens, nobody can get from an unacknowledged alarm to one that owes nothing without taking note."""
    alarm, owed = Standing(latches=latches), False
    for event in happening:
        try:
            alarm = after(alarm, event)
        except NotInTable:
            continue
        owed = (owed or alarm.state.is_owed) and event is not Event.ACKNOWLEDGE
        if owed and not alarm.state.is_aside:
            assert alarm.state.is_owed, (event, alarm)


@given(events, st.booleans())
def test_an_alarm_whose_condition_stands_is_normal_never(happening: list[Event], latches: bool) -> None:
    alarm = Standing(latches=latches)
    for event in happening:
        try:
            alarm = after(alarm, event)
        except NotInTable:
            continue
        assert not (alarm.condition and alarm.state in (A, D, E, F)), (event, alarm)


def test_the_diagram_has_every_state_and_every_arrow() -> None:
    text = diagram()
    assert text.startswith("stateDiagram-v2")
    for state in State:
        assert f'"{LETTERS[state]} {state.words}"' in text
    moving = {(each.state, each.to) for each in TRANSITIONS if each.to is not each.state}
    assert text.count("-->") == len(moving) + 1
    assert When.GONE_LATCHED.value in text
