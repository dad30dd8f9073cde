"""Whatever the network does to the order of uplinks, in the end every register says the same.

A day of two nodes is made: frames that carry all fields, some of them, none or nothing that can be read; frames that
never come, and nodes that begin anew. It is delivered once clean, and once shuffled, doubled and heard by several
radios; then all registers and bits of both are held against each other. The clean delivery is the standard.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import NamedTuple

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from aggregator.core.address_map import Block, Item, Layout, Shows, Table
from aggregator.core.encoding import Encoding, ItemCodec
from aggregator.core.keeping import Kept, KeptFrame, KeptUplink, Remembered
from aggregator.core.pointer import Pointer
from aggregator.core.profile import Profile
from aggregator.core.reading import Now, Reason
from aggregator.core.site import Site

SiteOf = Callable[..., Site]
MessageOf = Callable[..., bytes]
Deliver = Callable[[Site, Iterable["Heard"]], None]
Shown = Callable[[Site], object]

END = 40_000.0  # s after the start, when all registers are read; nobody is stale by then
RADIOS = ((-112, -6.0), (-99, 2.5), (-85, 7.0))  # RSSI in dBm and SNR in dB, the best at the end
KINDS = ("all", "all", "all", "flow", "methane and battery", "keep-alive", "unreadable")


class Sent(NamedTuple):
    """One frame of a node that was heard: when (s after the start), and what the JSON says."""

    at: float
    node: int
    counter: int
    session: str | None
    kind: str


class Heard(NamedTuple):
    """A frame as one radio handed it on."""

    sent: Sent
    radio: tuple[float, float]


@st.composite
def days(draw: st.DrawFn, *, node: int, known: bool) -> list[Sent]:
    """What the network hears of a node in a day, in order; `known` is whether it tells the session."""
    frames, at, counter, session = [], 0.0, draw(st.integers(0, 70_000)), 0
    for _ in range(draw(st.integers(1, 14))):
        anew = draw(st.integers(0, 7)) == 0
        at += 900.0 if anew else draw(st.sampled_from([2.0, 900.0, 900.0, 3600.0]))
        counter = draw(st.integers(0, 3)) if anew else counter + draw(st.sampled_from([1, 1, 1, 2, 5]))
        session += anew
        kind = draw(st.sampled_from(KINDS))
        frames.append(Sent(at, node, counter, f"s{session}" if known else None, kind))
    return frames


@st.composite
def sites(draw: st.DrawFn) -> list[Sent]:
    """The days of two nodes."""
    known = draw(st.booleans())
    return [*draw(days(node=1, known=known)), *draw(days(node=2, known=known))]


@pytest.fixture(scope="session")
def whole(site_of: SiteOf, watchful: Profile) -> Callable[..., Site]:
    """A site of two meters whose registers show all there is, the radio's figures and the loss of a day included."""

    def build(now: Now) -> Site:
        profile = replace(watchful, fields=tuple(replace(field, stale_after=1e6) for field in watchful.fields))
        site = site_of(2, profile=profile, now=now)
        envelope = replace(site.declared.envelopes[0], session=Pointer("/device/address"))
        codec = ItemCodec(Encoding.number("float32"))
        figures = [
            Item(Table.INPUT, 2 * at, Shows.RADIO, of, codec)
            for at, of in enumerate(("rssi", "snr", "spreading_factor", "loss"))
        ]
        more = Layout("radio", (*figures, Item(Table.INPUT, 8, Shows.TOTAL, "volume", codec)))
        device = site.declared.devices[0]
        blocks = [
            Block(Table.INPUT, 200 + 10 * at, 10, more, meter.tag, meter.tag, more.place)
            for at, meter in enumerate(site.declared.meters)
        ]
        devices = (replace(device, blocks=(*device.blocks, *blocks)),)
        return Site(replace(site.declared, envelopes=(envelope,), devices=devices), now)

    return build


@pytest.fixture(scope="session")
def deliver(message: MessageOf, start: Now) -> Deliver:
    """Have a site receive frames one after the other, long after they were heard."""

    def run(site: Site, heard: Iterable[Heard]) -> None:
        started = site.figures.started
        now = Now(started.monotonic + start.utc + END - started.utc, start.utc + END)
        for each in heard:
            site.receive("lns/a/up", text_of(each, message), retained=False, now=now)

    return run


def text_of(heard: Heard, message: MessageOf) -> bytes:
    sent, (rssi, snr) = heard
    fields = {"flow": 10 + sent.at / 1000, "volume": 100 + sent.at / 1000, "methane": 1 + sent.at / 1e5, "battery": 3.6}
    part = {"flow": ("flow",), "methane and battery": ("methane", "battery")}.get(sent.kind, tuple(fields))
    keys: dict[str, object] = {"payload": b"short"} if sent.kind == "unreadable" else {}
    if sent.kind not in ("unreadable", "keep-alive"):
        keys = {name: fields[name] for name in part}
    document = json.loads(message(sent.counter, node=sent.node, at=sent.at, **keys))
    document["device"]["address"] = sent.session
    document["radio"] = [{"rssi": rssi, "snr": snr}]
    return json.dumps(document).encode()


@pytest.fixture(scope="session")
def shown(start: Now) -> Shown:
    """All registers and bits of both meters, as bytes, and what is counted as lost."""

    def read(site: Site) -> object:
        started = site.figures.started
        image, now = site.images[1], Now(started.monotonic + start.utc + END - started.utc, start.utc + END)
        registers = image.read_input_registers(100, 48, now), image.read_input_registers(200, 20, now)
        return *registers, image.read_discrete_inputs(100, 48, now), image.read_coils(100, 48, now)

    return read


def best(frames: Iterable[Sent]) -> list[Heard]:
    return [Heard(sent, RADIOS[-1]) for sent in frames]


@given(sites(), st.randoms(use_true_random=False))
@settings(max_examples=150)
@example([Sent(900.0, 1, 5, None, "unreadable"), Sent(902.0, 1, 6, None, "keep-alive")], random.Random(2))
@example([Sent(0.0, 1, 0, None, "all"), Sent(2.0, 1, 1, None, "flow")], random.Random(1))
def test_a_shuffled_and_doubled_delivery_ends_in_the_registers_of_the_clean_one(
    whole: Callable[..., Site], deliver: Deliver, shown: Shown, start: Now, sent: list[Sent], chance: random.Random
) -> None:
    clean, messy = whole(start), whole(start)
    deliver(clean, best(sorted(sent)))
    copies = [Heard(each, radio) for each in sent for radio in RADIOS[chance.randrange(len(RADIOS)) :]]
    chance.shuffle(copies)
    deliver(messy, copies)
    assert shown(messy) == shown(clean)
    assert messy.figures.lost == clean.figures.lost
    refused = sum(each.kind == "unreadable" for each in sent)
    assert clean.figures.counts.accepted + refused == len(sent)


@given(sites(), st.randoms(use_true_random=False))
@settings(max_examples=50)
def test_the_history_holds_each_frame_once_in_whatever_order_it_came(
    whole: Callable[..., Site], deliver: Deliver, start: Now, sent: list[Sent], chance: random.Random
) -> None:
    site = whole(start)
    copies = best(sent) * 2
    chance.shuffle(copies)
    deliver(site, copies)
    kept = [each for each in site.take_kept() if isinstance(each, KeptUplink)]
    found = sorted((round(each.at - start.utc), each.node, each.counter) for each in kept)
    nodes = {1: "70b3d57ed0000001", 2: "70b3d57ed0000002"}
    assert found == sorted(
        (round(each.at), nodes[each.node], each.counter) for each in sent if each.kind != "unreadable"
    )


@given(days(node=1, known=True) | days(node=1, known=False), st.integers(0, 14), st.integers(0, 5))
@settings(max_examples=100)
def test_a_restart_in_between_and_the_last_sent_again_end_in_the_same_registers(
    whole: Callable[..., Site],
    deliver: Deliver,
    shown: Shown,
    remembered: Callable[[Iterable[Kept]], dict[str, Remembered]],
    recent: Callable[[Iterable[Kept]], list[KeptFrame]],
    start: Now,
    sent: list[Sent],
    cut: int,
    again: int,
) -> None:
    """The broker sends the last few once more that it was not told to be safe. The newest of all is not restored."""
    cut %= len(sent) + 1
    newest = sent[-1]._replace(at=sent[-1].at + 900.0, counter=sent[-1].counter + 1, kind="all")
    rebooted = Now(start.monotonic + END - 1000.0, start.utc + END)  # its monotonic clock begins elsewhere
    clean, before, after = whole(start), whole(start), whole(rebooted)
    deliver(clean, best([*sent, newest]))
    deliver(before, best(sent[:cut]))
    kept = before.take_kept()
    after.restore(
        remembered(kept), after.figures.started and Now(start.monotonic + END - 1000.0, start.utc + END), recent(kept)
    )
    deliver(after, best([*sent[max(0, cut - again) : cut], *sent[cut:], newest]))
    assert shown(after) == shown(clean)
    assert not after.states["FT-101"].reasons & Reason.RESTORED


@given(st.integers(65_480, 65_540), st.lists(st.sampled_from([1, 1, 2, 9]), min_size=1, max_size=20), st.randoms())
@settings(max_examples=50)
def test_sixteen_bits_of_a_counter_come_round_in_any_order(
    whole: Callable[..., Site],
    message: MessageOf,
    shown: Shown,
    start: Now,
    first: int,
    steps: list[int],
    chance: random.Random,
) -> None:
    """All but the first frame are shuffled: which of the counts with its bits that one has, nobody can know."""
    counters = [first]
    for step in steps:
        counters.append(counters[-1] + step)
    frames = [(counter, 900.0 * at) for at, counter in enumerate(counters)]
    now = Now(start.monotonic + END, start.utc + END)
    sites = []
    for bits in (32, 16):
        site = whole(start)
        envelope = replace(site.declared.envelopes[0], counter_bits=bits)
        sites.append(Site(replace(site.declared, envelopes=(envelope,)), start))
        late = frames[1:]
        if bits == 16:
            chance.shuffle(late)
        for counter, at in [frames[0], *late]:
            text = message(counter % (1 << bits), at=at, flow=10 + at / 1000, volume=100 + at / 1000, methane=1.5)
            sites[-1].receive("lns/a/up", text, retained=False, now=now)
    full = counters[0] & 0xFFFF, counters[-1] - (counters[0] & ~0xFFFF)
    whole_counts, rebuilt = sites
    assert rebuilt.states["FT-101"].counter == full[1]
    assert rebuilt.figures.lost == whole_counts.figures.lost
    assert rebuilt.states["FT-101"].readings == whole_counts.states["FT-101"].readings
