"""What plant software can do about alarms, and what it cannot: nobody acknowledges what they cannot have seen.

Acknowledgement and reset are two acts (ISA-18.2 section 5.4, `from memory`).
"""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest

from aggregator.core.access import Right
from aggregator.core.account import MOST_POLLS
from aggregator.core.alarm_state import State
from aggregator.core.response import acknowledge, set_setpoint
from tests.core.alarmed import EVERY, GROUP_BLOCK, NAMES, POINT, SITE_BLOCK, SWITCH, TAGS, Client, Plant, float32

ILLEGAL_FUNCTION, ILLEGAL_VALUE = 1, 3
ACKNOWLEDGE, RESET, SILENCE, SUPPRESS = 0, 1, 2, 2


@pytest.fixture
def plant(remembered: Callable[..., object]) -> Plant:
    built = Plant(remembered)  # type: ignore[arg-type]
    for at in range(3):
        built.send(at, 1.0)
    return built


@pytest.fixture
def room(plant: Plant) -> Client:
    return plant.client()


def states(plant: Plant, at: int = 0) -> list[State]:
    return [plant.site.annunciator.alarms[TAGS[at], name].state for name in NAMES[:2]]


def is_done(answer: bytes) -> bool:
    return answer[0] in (5, 15, 16)


def refusal(answer: bytes) -> int:
    assert answer[0] & 0x80, answer.hex()
    return answer[1]


# Acknowledging by coil


def test_an_operator_reads_acknowledges_and_resets(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    room.read(POINT, 12)
    assert is_done(room.coil(POINT + ACKNOWLEDGE))
    assert states(plant) == [State.ACKNOWLEDGED, State.ACKNOWLEDGED]
    assert refusal(room.coil(POINT + RESET)) == ILLEGAL_VALUE  # the gas is still there
    plant.send(0, 1.0)
    assert states(plant) == [State.NORMAL, State.LATCHED]
    assert is_done(room.coil(POINT + RESET))
    assert states(plant) == [State.NORMAL, State.NORMAL]
    assert is_done(room.coil(POINT + RESET))  # sent again
    assert [each.who for each in plant.journal("alarm reset")] == ["192.0.2.7:40001"]


def test_commands_read_back_as_zero(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    room.read(POINT, 12)
    room.coil(POINT + ACKNOWLEDGE)
    room.write(POINT + 2, 0, 1)
    assert room.bits(POINT, 2, function=1) == [0, 0]
    assert room.read(POINT + 2, 2, function=3) == (0, 0)


def test_an_alarm_that_came_after_the_read_stays_unacknowledged(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    room.read(POINT, 12)
    plant.send(0, 45.0)
    assert is_done(room.coil(POINT + ACKNOWLEDGE))
    assert states(plant) == [State.ACKNOWLEDGED, State.UNACKNOWLEDGED]
    left = plant.journal("alarms not acknowledged, as this client has not read them since they came")
    assert left[0].facts["first"] == f"{TAGS[0]} methane high-high"
    room.read(POINT, 12)
    room.coil(POINT + ACKNOWLEDGE)
    assert states(plant) == [State.ACKNOWLEDGED, State.ACKNOWLEDGED]


def test_the_journal_says_how_many_alarms_a_write_left(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    room.read(POINT, 12)
    plant.send(0, 45.0)
    room.coil(POINT + ACKNOWLEDGE)
    assert [event.facts["result"] for event in plant.journal("register written")] == [
        "answered, 1 alarm stays unacknowledged"
    ]


def test_an_alarm_raised_anew_since_the_read_is_a_new_one(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    room.read(POINT, 12)
    plant.send(0, 1.0)
    plant.send(0, 25.0)
    room.coil(POINT + ACKNOWLEDGE)
    assert states(plant)[0] is State.UNACKNOWLEDGED


def test_a_client_that_never_read_acknowledges_nothing_and_is_answered(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    assert is_done(room.coil(POINT + ACKNOWLEDGE))
    assert states(plant) == [State.UNACKNOWLEDGED, State.UNACKNOWLEDGED]


def test_the_journal_does_not_call_done_what_acknowledged_nothing(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    room.coil(POINT + ACKNOWLEDGE)
    room.read(POINT, 12)
    room.coil(POINT + ACKNOWLEDGE)
    results = [event.facts["result"] for event in plant.journal("register written")]
    assert results == ["answered, 2 alarms stay unacknowledged", "done"]


def test_another_clients_read_shows_nobody_else_anything(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    other = plant.client("192.0.2.8")
    other.read(POINT, 12)
    room.coil(POINT + ACKNOWLEDGE)
    assert states(plant)[0] is State.UNACKNOWLEDGED
    other.coil(POINT + ACKNOWLEDGE)
    assert states(plant)[0] is State.ACKNOWLEDGED


def test_all_connections_of_one_host_are_one_client(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    plant.client().read(POINT, 12)
    room.coil(POINT + ACKNOWLEDGE)
    assert states(plant)[0] is State.ACKNOWLEDGED


@pytest.mark.parametrize(
    ("start", "count", "function", "seen"),
    [
        (POINT, 1, 4, [True, True]),  # the word
        (POINT, 1, 3, [False, False]),  # a holding register stands there: the setpoint
        (POINT + 4, 2, 3, [True, False]),  # and here none does
        (POINT + 3, 1, 4, [True, False]),  # the state of one
        (POINT + 7, 2, 4, [False, True]),  # the number of the other
        (POINT + 7, 1, 4, [False, False]),  # half of it
        (POINT + 9, 3, 4, [False, False]),  # peak and limit
        (POINT + EVERY, 12, 4, [False, False]),  # another meter
    ],
)
def test_only_a_read_that_would_tell_of_an_alarm_shows_it(
    plant: Plant, room: Client, start: int, count: int, function: int, seen: list[bool]
) -> None:
    plant.send(0, 45.0)
    room.read(start, count, function)
    room.coil(POINT + ACKNOWLEDGE)
    assert [state is State.ACKNOWLEDGED for state in states(plant)] == seen


@pytest.mark.parametrize(("bit", "seen"), [(0, [True, True]), (1, [True, True]), (2, [False, True]), (3, [False] * 2)])
def test_a_bit_shows_the_alarms_that_would_set_it(plant: Plant, room: Client, bit: int, seen: list[bool]) -> None:
    plant.send(0, 45.0)
    room.bits(POINT + bit, 1)
    room.coil(POINT + ACKNOWLEDGE)
    assert [state is State.ACKNOWLEDGED for state in states(plant)] == seen


def test_the_quickest_repeated_poll_counts_as_a_read(plant: Plant, room: Client) -> None:
    room.read(POINT, 12)
    plant.send(0, 25.0)
    room.read(POINT, 12)
    room.coil(POINT + ACKNOWLEDGE)
    assert states(plant)[0] is State.ACKNOWLEDGED


def test_a_read_is_remembered_while_many_others_are_made(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    room.read(POINT, 12)
    for at in range(MOST_POLLS - 1):
        room.read(SITE_BLOCK + at % 30 + 1, at // 30 + 1)
    assert len(room.conversation.account.polls) == MOST_POLLS
    room.read(SITE_BLOCK + 1, 39)
    assert len(room.conversation.account.polls) == 1  # the others have been put together
    room.coil(POINT + ACKNOWLEDGE)
    assert states(plant)[0] is State.ACKNOWLEDGED


def test_function_23_reads_as_03_does_and_acknowledges_only_what_was_read_before(plant: Plant, room: Client) -> None:
    """It writes first and then reads (MODBUS V1.1b3 section 6.17)."""

    def ask(*sequence: int) -> bytes:
        return room.ask(struct.pack(">BHHHHB2H", 23, POINT + 4, 2, POINT + 2, 2, 4, *sequence))

    plant.send(0, 45.0)
    sequence = room.read(POINT + 7, 2)
    plant.send(1, 25.0)
    assert ask(*sequence)[0] == 23  # acknowledges the high-high by its number, and reads the number of the high
    assert states(plant) == [State.UNACKNOWLEDGED, State.ACKNOWLEDGED]
    assert room.conversation.account.requests == 2
    room.coil(POINT + ACKNOWLEDGE)
    assert states(plant) == [State.ACKNOWLEDGED, State.ACKNOWLEDGED]
    assert states(plant, 1)[0] is State.UNACKNOWLEDGED
    plant.send(0, 1.0)
    plant.send(0, 25.0)
    assert ask(0, 99)[0] == 0x80 + 23  # refused: nothing was read
    room.coil(POINT + ACKNOWLEDGE)
    assert states(plant)[0] is State.UNACKNOWLEDGED


def test_a_restart_forgets_who_has_read_what_and_no_alarm(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    room.read(POINT, 12)
    plant.restart()
    again = plant.client()
    again.coil(POINT + ACKNOWLEDGE)
    assert states(plant) == [State.UNACKNOWLEDGED, State.UNACKNOWLEDGED]
    again.read(POINT, 12)
    again.coil(POINT + ACKNOWLEDGE)
    plant.restart()
    assert states(plant) == [State.ACKNOWLEDGED, State.ACKNOWLEDGED]


def test_what_was_read_by_the_map_before_shows_nothing_by_the_new_one(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    room.read(POINT, 12)
    plant.take_files_anew()
    room.coil(POINT + ACKNOWLEDGE)
    assert states(plant)[0] is State.UNACKNOWLEDGED
    room.read(POINT, 12)
    room.coil(POINT + ACKNOWLEDGE)
    assert states(plant)[0] is State.ACKNOWLEDGED


# Groups and the whole site


def test_a_group_is_acknowledged_together_and_nothing_else(plant: Plant, room: Client) -> None:
    for at in range(3):
        plant.send(at, 25.0)
    room.read(GROUP_BLOCK, 30)
    room.coil(GROUP_BLOCK + ACKNOWLEDGE)
    assert [states(plant, at)[0] for at in range(3)] == [State.ACKNOWLEDGED, State.ACKNOWLEDGED, State.UNACKNOWLEDGED]
    assert plant.site.annunciator.alarms["hall", "vote"].state is State.ACKNOWLEDGED


def test_the_whole_site_is_acknowledged_as_far_as_it_was_read(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    room.read(SITE_BLOCK, 30)
    plant.send(1, 25.0)
    room.read(POINT + 2 * EVERY, 12)
    plant.send(2, 25.0)
    room.coil(SITE_BLOCK + ACKNOWLEDGE)
    assert [states(plant, at)[0] for at in range(3)] == [State.ACKNOWLEDGED, State.UNACKNOWLEDGED, State.UNACKNOWLEDGED]


def test_a_reset_of_the_site_resets_what_it_can(plant: Plant, room: Client) -> None:
    for at in range(2):
        plant.send(at, 45.0)
    room.read(SITE_BLOCK, 30)
    room.coil(SITE_BLOCK + ACKNOWLEDGE)
    plant.send(0, 1.0)
    assert is_done(room.coil(SITE_BLOCK + RESET))
    assert [states(plant, at)[1] for at in range(2)] == [State.NORMAL, State.ACKNOWLEDGED]
    assert refusal(room.coil(SITE_BLOCK + RESET)) == ILLEGAL_VALUE


def test_the_sounder_is_silenced_and_no_alarm_acknowledged(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    assert room.bits(SITE_BLOCK, 3) == [1, 1, 1]
    room.coil(SITE_BLOCK + SILENCE)
    assert room.bits(SITE_BLOCK, 3) == [1, 1, 0]
    plant.send(1, 25.0)
    assert room.bits(SITE_BLOCK, 3) == [1, 1, 1]


def test_writing_zero_to_a_command_does_nothing(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    room.read(POINT, 12)
    for address in (POINT + ACKNOWLEDGE, POINT + RESET, SITE_BLOCK + SILENCE):
        assert is_done(room.coil(address, on=False))
    assert states(plant)[0] is State.UNACKNOWLEDGED
    assert plant.site.annunciator.horn


def test_a_suppression_is_switched_by_its_coil_which_reads_as_it_is(plant: Plant, room: Client) -> None:
    plant.send(2, 25.0)
    for _ in range(2):
        assert is_done(room.coil(POINT + SUPPRESS))
    assert room.bits(POINT + SUPPRESS, 1, function=1) == [1]
    assert states(plant, 2)[0] is State.SUPPRESSED
    assert len(plant.journal("alarm suppressed by design")) == 3
    room.coil(POINT + SUPPRESS, on=False)
    assert room.bits(POINT + SUPPRESS, 1, function=1) == [0]
    assert states(plant, 2)[0] is State.UNACKNOWLEDGED


# By holding register, for software that writes no coils


def test_a_register_suppresses_as_the_coil_does_and_both_read_as_it_is(plant: Plant, room: Client) -> None:
    plant.send(2, 25.0)
    for _ in range(2):
        assert is_done(room.write(SWITCH + 2, 1))
    assert states(plant, 2)[0] is State.SUPPRESSED
    assert room.bits(POINT + SUPPRESS, 1, function=1) == [1]
    assert room.read(SWITCH + 2, function=3) == room.read(SWITCH + EVERY + 2, function=3) == (1,)
    assert len(plant.journal("alarm suppressed by design")) == 3
    assert is_done(room.coil(POINT + SUPPRESS, on=False))
    assert room.read(SWITCH + 2, function=3) == (0,)


def test_a_register_takes_a_meter_into_test_and_out_of_it(plant: Plant, room: Client) -> None:
    assert is_done(room.write(SWITCH, 1))
    assert room.read(SWITCH, function=3) == (1,)
    plant.send(0, 45.0)
    assert states(plant) == [State.OUT_OF_SERVICE, State.OUT_OF_SERVICE]
    assert is_done(room.write(SWITCH, 0))
    assert room.read(SWITCH, function=3) == (0,)
    assert states(plant) == [State.UNACKNOWLEDGED, State.UNACKNOWLEDGED]
    assert [each.who for each in plant.journal("alarm taken out of service")] == ["192.0.2.7:40001"] * 3


@pytest.mark.parametrize("address", [SWITCH + 1, SITE_BLOCK + 2, GROUP_BLOCK + 2])
def test_a_register_resets_as_the_coil_does(plant: Plant, room: Client, address: int) -> None:
    plant.send(0, 45.0)
    lives = plant.site.annunciator.alarms_of(TAGS[0])
    plant.site.respond(lambda site: acknowledge(site, lives, plant.now.monotonic, "panel", plant.now))
    assert refusal(room.write(address, 1)) == ILLEGAL_VALUE  # the gas is still there
    plant.send(0, 1.0)
    is_reset = address != GROUP_BLOCK + 2  # whose group counts another alarm
    assert is_done(room.write(address, 1))
    assert states(plant)[1] is (State.NORMAL if is_reset else State.LATCHED)
    assert room.read(address, function=3) == (0,)


def test_a_register_silences_the_sounder_and_acknowledges_nothing(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    assert is_done(room.write(SITE_BLOCK + 3, 1))
    assert not plant.site.annunciator.horn
    assert states(plant)[0] is State.UNACKNOWLEDGED


@pytest.mark.parametrize("address", [SWITCH, SWITCH + 1, SWITCH + 2, SITE_BLOCK + 2, SITE_BLOCK + 3])
@pytest.mark.parametrize("value", [2, 0xFF00, 0xFFFF])
def test_a_switch_takes_one_and_zero_and_nothing_else(plant: Plant, room: Client, address: int, value: int) -> None:
    assert refusal(room.write(address, value)) == ILLEGAL_VALUE
    assert str(plant.journal("register written")[-1].facts["why"]).endswith("takes 1 or 0")


def test_an_alarm_is_shelved_for_minutes_that_run_out(plant: Plant, room: Client) -> None:
    """Shelved for a limited time, with reason and who (ISA-18.2 section 11, from memory)."""
    plant.send(0, 25.0)
    for _ in range(2):  # sent again
        assert is_done(room.write(SWITCH + 3, 60))
    assert states(plant)[0] is State.SHELVED
    [shelved] = plant.journal("alarm shelved")
    assert (shelved.facts["seconds"], shelved.facts["why"], shelved.who) == (
        3600.0,
        "painting of the roof",
        "192.0.2.7:40001",
    )
    assert room.read(SWITCH + 3, function=3) == (60,)
    plant.wait(60)
    assert room.read(SWITCH + 3, function=3) == (59,)
    plant.restart()
    assert plant.client().read(SWITCH + 3, function=3) == (59,)
    plant.wait(59 * 60)
    assert states(plant)[0] is State.UNACKNOWLEDGED
    assert plant.client().read(SWITCH + 3, function=3) == (0,)


def test_a_shelf_is_ended_by_zero_and_prolonged_by_nothing(plant: Plant, room: Client) -> None:
    assert is_done(room.write(SWITCH + 4, 0))  # it is not shelved: nothing to do
    assert is_done(room.write(SWITCH + 4, 1440))
    assert plant.journal("alarm shelved")[0].facts["why"] == "shelved by plant software"
    assert refusal(room.write(SWITCH + 4, 1439)) == ILLEGAL_VALUE
    assert "shelved already" in str(plant.journal("register written")[-1].facts["why"])
    assert is_done(room.write(SWITCH + 4, 0))
    assert states(plant)[1] is State.NORMAL
    assert room.read(SWITCH + 4, function=3) == (0,)


@pytest.mark.parametrize("minutes", [1441, 0xFFFF])
def test_no_alarm_is_shelved_for_over_a_day(plant: Plant, room: Client, minutes: int) -> None:
    assert refusal(room.write(SWITCH + 3, minutes)) == ILLEGAL_VALUE
    assert states(plant)[0] is State.NORMAL


def test_an_alarm_that_is_aside_already_is_not_shelved(plant: Plant, room: Client) -> None:
    room.write(SWITCH, 1)
    assert refusal(room.write(SWITCH + 3, 60)) == ILLEGAL_VALUE
    assert states(plant)[0] is State.OUT_OF_SERVICE
    assert plant.site.annunciator.alarms[TAGS[0], NAMES[0]].shelf is None


# By sequence number


def test_a_number_acknowledges_its_alarm_and_no_other(plant: Plant, room: Client) -> None:
    plant.send(0, 45.0)
    sequence = room.read(POINT + 7, 2)
    for _ in range(2):
        assert is_done(room.write(POINT + 2, *sequence))
    assert states(plant) == [State.UNACKNOWLEDGED, State.ACKNOWLEDGED]
    assert len(plant.journal("alarm acknowledged")) == 1


@pytest.mark.parametrize("words", [(0, 0), (0, 9), (0xFFFF, 0xFFFF)])
def test_a_number_of_no_alarm_is_refused(plant: Plant, room: Client, words: tuple[int, int]) -> None:
    plant.send(0, 45.0)
    assert refusal(room.write(POINT + 2, *words)) == ILLEGAL_VALUE
    assert states(plant) == [State.UNACKNOWLEDGED, State.UNACKNOWLEDGED]


def test_a_number_that_has_been_raised_anew_is_no_longer_known(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    old = room.read(POINT + 4, 2)
    plant.send(0, 1.0)
    plant.send(0, 25.0)
    assert refusal(room.write(POINT + 2, *old)) == ILLEGAL_VALUE


def test_a_meters_register_takes_the_numbers_of_that_meter_and_the_sites_takes_all(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    sequence = room.read(POINT + 4, 2)
    assert refusal(room.write(POINT + EVERY + 2, *sequence)) == ILLEGAL_VALUE
    assert is_done(room.write(SITE_BLOCK, *sequence))
    assert states(plant)[0] is State.ACKNOWLEDGED


def test_nothing_of_a_request_is_carried_out_where_one_part_is_refused(plant: Plant, room: Client) -> None:
    plant.send(0, 25.0)
    assert refusal(room.write(POINT, *float32(25.0), 0, 99)) == ILLEGAL_VALUE
    assert room.read(POINT + 10, 2) == float32(20.0)
    assert is_done(room.write(POINT, *float32(25.0), *room.read(POINT + 4, 2)))
    assert room.read(POINT + 10, 2) == float32(25.0)


# Setpoints


def test_a_setpoint_is_changed_within_its_limits_and_holds_at_once(plant: Plant, room: Client) -> None:
    plant.send(0, 15.0)
    assert is_done(room.write(POINT, *float32(12.5)))
    assert room.read(POINT, 2, function=3) == room.read(POINT + 10, 2) == float32(12.5)
    assert states(plant)[0] is State.UNACKNOWLEDGED
    plant.restart()
    assert plant.client().read(POINT + 10, 2) == float32(12.5)


@pytest.mark.parametrize("value", [9.99, 30.2, -1.0, float("inf"), float("nan")])
def test_a_setpoint_outside_its_limits_is_refused_and_changes_nothing(plant: Plant, room: Client, value: float) -> None:
    assert refusal(room.write(POINT, *float32(value))) == ILLEGAL_VALUE
    assert room.read(POINT + 10, 2) == float32(20.0)
    assert plant.journal("setpoint changed") == []


def test_a_limit_that_would_cross_another_is_refused_with_its_reason_on_record(plant: Plant, room: Client) -> None:
    live = plant.site.annunciator.alarms[TAGS[0], NAMES[1]]
    plant.site.respond(lambda site: set_setpoint(site, live, 25.0, "panel", plant.now))
    assert refusal(room.write(POINT, *float32(26.0))) == ILLEGAL_VALUE
    assert room.read(POINT + 10, 2) == float32(20.0)
    refused = plant.journal("register written")[-1]
    assert refused.facts["result"] == "exception 03"
    assert refused.facts["why"] == (
        "the setpoint of AT-101 methane high must stay below that of methane high-high, which is 25 %LEL"
    )
    assert is_done(room.write(POINT, *float32(24.0)))


def test_half_a_setpoint_is_refused(room: Client) -> None:
    assert refusal(room.write(POINT, 0x4148)) == ILLEGAL_VALUE


@pytest.mark.parametrize("limit", [10.0, 30.1])
def test_a_limit_itself_can_be_written_though_no_float32_holds_it(plant: Plant, room: Client, limit: float) -> None:
    assert is_done(room.write(POINT, *float32(limit)))
    assert plant.site.annunciator.alarms[TAGS[0], NAMES[0]].setpoint == limit


def test_a_write_that_is_sent_again_does_nothing_twice(plant: Plant, room: Client) -> None:
    for _ in range(3):
        room.write(POINT, *float32(12.6))
    assert len(plant.journal("setpoint changed")) == 1
    room.write(POINT, *room.read(POINT, 2, function=3))
    assert len(plant.journal("setpoint changed")) == 1


# Rights and records


def test_acknowledging_needs_one_right_and_everything_else_another(plant: Plant) -> None:
    plant.send(0, 45.0)
    reader, operator = plant.client("192.0.2.8", Right.READ), plant.client("192.0.2.9", Right.READ | Right.ACKNOWLEDGE)
    for client in (reader, operator):
        client.read(POINT, 12)
        assert refusal(client.coil(POINT + RESET)) == ILLEGAL_FUNCTION
        assert refusal(client.coil(POINT + SUPPRESS)) == ILLEGAL_FUNCTION
        assert refusal(client.write(POINT, *float32(12.5))) == ILLEGAL_FUNCTION
    assert refusal(reader.coil(POINT + ACKNOWLEDGE)) == ILLEGAL_FUNCTION
    assert refusal(reader.coil(SITE_BLOCK + SILENCE)) == ILLEGAL_FUNCTION
    assert refusal(reader.write(SITE_BLOCK, 0, 1)) == ILLEGAL_FUNCTION
    assert is_done(operator.coil(SITE_BLOCK + SILENCE))
    assert is_done(operator.coil(POINT + ACKNOWLEDGE))
    assert is_done(operator.write(SITE_BLOCK, 0, 1))
    assert [each.who for each in plant.journal("alarm acknowledged")] == ["192.0.2.9:40001"] * 2


def test_a_command_that_is_sent_each_second_is_one_line_a_minute_on_record(plant: Plant, room: Client) -> None:
    for _ in range(30):
        room.coil(POINT + ACKNOWLEDGE)
    assert len(plant.journal("register written")) == 1
