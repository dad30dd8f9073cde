"""What a map would do to what is frozen, sentence by sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from aggregator.core.address_map import Block, Device, Item, Layout, Shows, Table
from aggregator.core.breach import breaches
from aggregator.core.encoding import Encoding, ItemCodec, Scale
from aggregator.core.errors import Place
from aggregator.core.promise import Promise, Term, promises_of

CURE = "Undo it, or thaw what may change: aggregator thaw"


def item(offset: int, of: str, kind: str = "float32", scale: float = 1.0, unit: str = "m3/h") -> Item:
    codec = ItemCodec(Encoding.number(kind), Scale(scale))
    return Item(Table.INPUT, offset, Shows.VALUE, of, codec, unit, place=Place("map.yaml", 10 + offset))


FLOW, VOLUME = item(0, "flow"), item(2, "volume", "uint32", 0.1, "m3")
LAYOUT = Layout("point", (FLOW, VOLUME), Place("map.yaml", 9))


def block(start: int, tag: str = "FT-101", layout: Layout = LAYOUT, line: int = 30, size: int = 24) -> Block:
    return Block(Table.INPUT, start, size, layout, None if tag == "spare" else tag, tag, Place("map.yaml", line))


def device(*blocks: Block, unit: int = 1, name: str = "") -> Device:
    return Device(unit, blocks, place=Place("map.yaml", 25), name=name)


def frozen(*devices: Device) -> list[Promise]:
    """All of a map, as the frozen file at line 50 and on has it; the terms stand in lines 40 and on."""

    def in_the_file(number: int, promise: Promise) -> Promise:
        terms = tuple(
            (offset, replace(term, place=Place("map.frozen.yaml", 40 + offset))) for offset, term in promise.terms
        )
        return replace(promise, terms=terms, place=Place("map.frozen.yaml", 50 + number))

    return [in_the_file(number, promise) for number, promise in enumerate(promises_of(devices))]


BOTH = device(block(100), block(124, "FT-102", line=31))


def told(now: Device | Sequence[Device], was: Device | Sequence[Device] = BOTH) -> list[str]:
    before = [was] if isinstance(was, Device) else was
    after = [now] if isinstance(now, Device) else now
    return [str(problem) for problem in breaches(frozen(*before), after, "map.yaml")]


def test_a_map_that_keeps_all_breaks_nothing_whatever_is_added() -> None:
    more = Layout("other name", (*LAYOUT.items, item(4, "pressure")), Place("map.yaml", 8))
    assert told(BOTH) == []
    assert told(device(block(100, layout=more), block(124, "FT-102"), block(148, "FT-103"))) == []
    assert told([device(unit=9), BOTH]) == []


def test_a_block_that_moves_is_one_sentence_at_the_line_of_its_meter() -> None:
    assert told(device(block(100), block(148, "FT-102", line=31))) == [
        (
            "map.yaml:31:1: FT-102 would move from input registers 124-147 of unit 1 to input registers 148-171, "
            f"and is frozen there with 2 items (map.frozen.yaml:51). {CURE} FT-102."
        )
    ]


def test_a_block_that_goes_is_one_sentence_and_says_what_would_be_read_in_its_place() -> None:
    assert told(device(block(100, "FT-102", line=31))) == [
        (
            "map.yaml:25:1: FT-101 would be gone from input registers 100-123 of unit 1, with FT-102 flow in its "
            f"place, and is frozen there with 2 items (map.frozen.yaml:50). {CURE} FT-101."
        ),
        (
            "map.yaml:31:1: FT-102 would move from input registers 124-147 of unit 1 to input registers 100-123, "
            f"and is frozen there with 2 items (map.frozen.yaml:51). {CURE} FT-102."
        ),
    ]


def test_a_device_that_goes_takes_the_place_of_the_file() -> None:
    [problem] = told(device(block(100), unit=9), device(block(100)))
    assert problem.startswith("map.yaml:30:1: FT-101 would move from input registers 100-123 of unit 1 to ")
    assert "to input registers 100-123 of unit 9, and is frozen" in problem
    [problem] = told([], device(block(100)))
    assert problem.startswith("map.yaml:1:1: FT-101 would be gone from input registers 100-123 of unit 1, and is")


def test_an_item_on_other_terms_is_one_sentence_at_its_line_for_all_its_meters() -> None:
    other = Layout("point", (FLOW, item(2, "volume", "uint32", 0.01, "m3")), Place("map.yaml", 9))
    assert told(device(block(100, layout=other), block(124, "FT-102", other))) == [
        (
            "map.yaml:12:1: volume of FT-101, FT-102, frozen as uint32, scale 0.1, m3 at input registers 102-103 of "
            "unit 1 and 1 more (map.frozen.yaml:42), would change: scale from 0.1 to 0.01. "
            f"{CURE} FT-101/volume FT-102/volume."
        )
    ]


def test_an_item_that_moves_inside_its_layout_or_leaves_it_is_told_there() -> None:
    moved = Layout("point", (FLOW, item(6, "volume", "uint32", 0.1, "m3")), Place("map.yaml", 9))
    [problem] = told(device(block(100, layout=moved)), device(block(100)))
    assert problem.startswith("map.yaml:16:1: volume of FT-101, frozen as uint32, scale 0.1, m3 at input registers")
    assert "(map.frozen.yaml:42), would stand at input registers 106-107. Undo" in problem
    without = Layout("point", (VOLUME,), Place("map.yaml", 9))
    [problem] = told(device(block(100, layout=without)), device(block(100)))
    assert problem.startswith("map.yaml:9:1: flow of FT-101, frozen as float32, m3/h at input registers 100-101 of")
    assert "would be gone. Undo" in problem


def test_a_layout_that_loses_all_its_items_is_told_item_by_item_since_the_block_is_still_there() -> None:
    emptied = Layout("point", (item(8, "pressure"),), Place("map.yaml", 9))
    problems = told(device(block(100, layout=emptied)), device(block(100)))
    assert [problem.split(",")[0] for problem in problems] == [
        "map.yaml:9:1: flow of FT-101",
        "map.yaml:9:1: volume of FT-101",
    ]


def test_an_item_that_alone_is_frozen_of_its_block_does_not_make_the_block_move() -> None:
    only = [replace(each, terms=each.terms[1:]) for each in frozen(device(block(100)))]
    moved = Layout("point", (FLOW, item(6, "volume", "uint32", 0.1, "m3")), Place("map.yaml", 9))
    [problem] = breaches(only, [device(block(100, layout=moved))], "map.yaml")
    assert problem.what.startswith("volume of FT-101")


def test_a_holding_block_over_a_frozen_item_is_told_at_the_holding_block() -> None:
    """Readers of function 03 would read it instead, and take it for what they were built on."""
    over = Block(Table.HOLDING, 102, 2, Layout("pad", ()), "FT-102", "FT-102", Place("map.yaml", 35))
    [problem] = told(device(block(100), over), device(block(100)))
    assert problem.startswith("map.yaml:35:1: volume of FT-101, frozen as uint32")
    assert "would change: function 03 from answered to not answered" in problem
    assert told(device(block(100), over), device(block(100), over)) == []


def test_a_block_that_gets_smaller_can_be_read_over_no_longer() -> None:
    assert told(device(block(100, size=4)), device(block(100))) == [
        (
            "map.yaml:30:1: input registers 100-123 of unit 1 are frozen as readable (map.frozen.yaml:50), and some "
            f"would answer exception 02. {CURE} FT-101."
        )
    ]
    assert told(device(block(100, size=4), block(104, "spare", size=20)), device(block(100))) == []


def test_a_spare_slot_that_goes_is_told_and_a_meter_in_it_is_not() -> None:
    was = device(block(100), block(124, "spare", line=32))
    assert told(device(block(100), block(124, "FT-102")), was) == []
    [problem] = told(device(block(100)), was)
    assert problem.startswith("map.yaml:25:1: input registers 124-147 of unit 1 are frozen as readable")
    assert problem.endswith(f"{CURE} spare.")


def test_another_name_of_a_device_breaks_nothing_since_no_client_sees_it() -> None:
    assert told(device(block(100), name="boilers"), device(block(100))) == []
    assert told(device(block(100)), device(block(100), name="boilers")) == []
    two = [device(block(100), name="boilers"), device(block(200), name="flare")]
    assert len(told(two, device(block(100)))) == 1  # whose was it?


def test_a_long_list_of_meters_is_cut_and_names_for_the_shell_are_quoted() -> None:
    tags = [f"FT-{101 + at}" for at in range(20)]
    was = device(*(block(100 + 24 * at, tag) for at, tag in enumerate(tags)))
    other = Layout("point", (item(0, "flow", unit="l/h"), VOLUME), Place("map.yaml", 9))
    [problem] = told(device(*(block(100 + 24 * at, tag, other) for at, tag in enumerate(tags))), was)
    assert "FT-115, FT-116 and 4 more, frozen as" in problem
    assert problem.endswith("thaw FT-101/flow FT-102/flow FT-103/flow FT-104/flow, and 16 more names.")
    [problem] = told(device(block(200, "gateway block")), device(block(100, "gateway block")))
    assert problem.endswith("aggregator thaw 'gateway block'.")


def test_terms_of_frozen_items_are_told_from_where_they_stand() -> None:
    """A promise that was never in a file has places of its own block only."""
    bare = [replace(each, place=Place("list.json", 7)) for each in promises_of([device(block(100))])]
    bare = [replace(each, terms=tuple((at, _nowhere(term)) for at, term in each.terms)) for each in bare]
    other = Layout("point", (item(0, "flow", unit="l/h"), VOLUME), Place("map.yaml", 9))
    [problem] = breaches(bare, [device(block(100, layout=other))], "map.yaml")
    assert "(list.json:7), would change: unit from m3/h to l/h" in problem.what


def _nowhere(term: Term) -> Term:
    return replace(term, place=Place(""))
