"""A poll that is repeated is answered as one that is asked for the first time, whatever has happened in between."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aggregator.core.access import EVERYTHING, Party
from aggregator.core.account import Account
from aggregator.core.functions import Tables
from aggregator.core.image import Image
from aggregator.core.modbus import Conversation
from aggregator.core.reading import Now
from aggregator.core.response import CannotAct, shelve, unshelve
from aggregator.core.site import Site
from tests.core.alarmed import EVERY, GROUP_BLOCK, NAMES, POINT, SITE_BLOCK, SWITCH, TAGS, Client, Plant, float32

Read = tuple[int, int, int]
"""Function, start, count."""
Step = Callable[[Plant, Client], object]

READS: list[Read] = [
    (function, start, count)
    for start, count in ((POINT, 12), (POINT + EVERY, 3), (SITE_BLOCK, 32), (GROUP_BLOCK, 32), (SWITCH, 5))
    for function in (1, 2, 3, 4)
]


def conversation(units: Sequence[Tables | None], site: Site, now: Now) -> Conversation:
    account = Account("another", "192.0.2.9", now, site.refusals)
    return Conversation(units, Party("another", EVERYTHING), account)


def hold_against_first_reads(poller: Conversation, site: Site, reads: Iterable[Read], now: Now) -> None:
    """Nobody has read anything yet over a conversation that begins now."""
    for function, start, count in reads:
        frame = struct.pack(">HHHBBHH", 1, 0, 6, 1, function, start, count)
        first = conversation(poller.units, site, now).receive(frame, now)
        assert poller.again(frame, now.monotonic) in (b"", first), f"function {function} from {start}"
        assert poller.receive(frame, now) == first, f"function {function} from {start}"


def on_a_meter(do: Callable[..., object], *others: st.SearchStrategy[object]) -> st.SearchStrategy[Step]:
    """A step about any of the meters; what cannot be done just then is not."""

    def step(at: int, *chosen: object) -> Step:
        def act(plant: Plant, room: Client) -> None:
            try:
                do(plant, room, at, *chosen)
            except CannotAct:
                return

        return act

    return st.builds(step, st.integers(0, len(TAGS) - 1), *others)


def shelve_or_not(plant: Plant, _room: Client, at: int, on: bool) -> None:
    live = plant.site.annunciator.alarms[TAGS[at], NAMES[0]]
    plant.site.respond(
        lambda site: (
            shelve(site, live, 900.0, "painting", "mara", plant.now) if on else unshelve(site, live, "mara", plant.now)
        )
    )


def enter(plant: Plant, _room: Client, at: int, value: float) -> None:
    plant.site.substitute(TAGS[at], "methane", value, lasts=60.0, who="mara", now=plant.now)


def change_setpoint(_plant: Plant, room: Client, at: int, value: float) -> None:
    room.write(POINT + EVERY * at, *float32(value))


STEPS: st.SearchStrategy[Step] = st.one_of(
    on_a_meter(lambda plant, _, at, value: plant.send(at, value), st.sampled_from([1.0, 19.0, 25.0, 45.0])),
    on_a_meter(lambda plant, _room, _at, s: plant.wait(s), st.sampled_from([0.0, 0.3, 1.0, 59.0, 1799.0])),
    on_a_meter(lambda _, room, at, which: room.coil(POINT + EVERY * at + which), st.integers(0, 2)),
    on_a_meter(lambda _, room, at, on: room.write(SWITCH + EVERY * at, on), st.integers(0, 1)),
    on_a_meter(lambda _, room, at, minutes: room.write(SWITCH + EVERY * at + 3, minutes), st.integers(0, 60)),
    on_a_meter(change_setpoint, st.sampled_from([10.0, 22.0, 30.0, 99.0])),
    on_a_meter(shelve_or_not, st.booleans()),
    on_a_meter(enter, st.sampled_from([2.0, 50.0])),
    on_a_meter(lambda plant, _room, _at: plant.take_files_anew()),
)


@given(st.lists(st.tuples(STEPS, st.lists(st.sampled_from(READS), max_size=6)), min_size=1, max_size=25))
@settings(max_examples=60)
def test_whatever_happens_no_repeated_read_gives_what_is_over(
    remembered: Callable[..., object], steps: list[tuple[Step, list[Read]]]
) -> None:
    plant = Plant(remembered)  # type: ignore[arg-type]
    room = plant.client()
    hold_against_first_reads(room.conversation, plant.site, READS, plant.now)
    for step, reads in steps:
        step(plant, room)
        hold_against_first_reads(room.conversation, plant.site, reads, plant.now)
    hold_against_first_reads(room.conversation, plant.site, READS, plant.now)


def moments(site: Site, poller: Conversation, message: Callable[..., bytes], start: Now) -> Iterator[Now]:
    """Each after something that changes the gateway's own figures, an age or what clients write."""
    yield start
    site.set_broker_connected(True)
    yield start
    poller.receive(bytes.fromhex("0001 0000 0006 01 06 0000 1234"), start)
    yield start
    poller.receive(bytes.fromhex("0001 0000 0006 01 05 0000 FF00"), start)
    yield start
    site.receive("lns/a/up", message(1, flow=12.5, volume=100, methane=1.5), retained=False, now=start)
    for seconds in (0.4, 1.0, 1.4, 2.0, 60.0):
        yield Now(start.monotonic + seconds, start.utc + seconds)


def test_figures_ages_and_what_was_written_are_as_new_in_every_repeated_read(
    trial: Site, message: Callable[..., bytes], start: Now
) -> None:
    reads = [(4, 0, 40), (4, 100, 20), (4, 110, 1), (3, 0, 12), (1, 0, 8), (2, 100, 5)]
    poller, answers = conversation(trial.units(), trial, start), list[bytes]()
    for now in moments(trial, poller, message, start):
        hold_against_first_reads(poller, trial, reads, now)
        answers.append(b"".join(poll.answer for poll in poller.account.polls.values()))
    assert len(set(answers)) == len(answers) - 1, "only within a second with nothing new all stays as it was"


def test_the_registers_are_looked_at_once_a_second_while_nothing_changes(
    trial: Site, start: Now, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks, image = list[Now](), trial.images[1]
    look = image.read_input_registers

    def counted(start: int, count: int, now: Now) -> bytes:
        looks.append(now)
        return look(start, count, now)

    monkeypatch.setattr(image, "read_input_registers", counted)
    poller, frame = conversation(trial.units(), trial, start), bytes.fromhex("0001 0000 0006 01 04 0000 0028")
    moments = [Now(start.monotonic + tenths / 10, start.utc) for tenths in range(35)]
    for now in moments:
        poller.receive(frame, now)
    assert looks == [moments[at] for at in (0, 1, 10, 20, 30)]  # the first is not known for a poll yet
    assert poller.again(frame, moments[-1].monotonic) == poller.receive(frame, moments[-1])
    trial.set_broker_connected(True)
    assert poller.again(frame, moments[-1].monotonic) == b""
    poller.receive(frame, moments[-1])
    assert looks[-1] == moments[-1]
    assert poller.account.requests == poller.requests == 38


@pytest.mark.parametrize(
    "note",
    [
        lambda image: image.gateway_changed(),
        lambda image: image.note_change("FT-101"),
        lambda image: image.note_alarms(["FT-101"]),
        lambda image: image.write_scratch("uint16", 7),
        lambda image: image.show_setting("limit", 1.0, 1.0),
    ],
    ids=["figures", "meter", "alarms", "scratch", "setting"],
)
def test_whatever_an_image_is_told_of_counts_as_a_change(trial: Site, note: Callable[[Image], None]) -> None:
    image = trial.images[1]
    before = image.changes
    note(image)
    assert image.changes > before
