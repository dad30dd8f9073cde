"""What of two maps can be read over, and what no longer."""

from __future__ import annotations

from aggregator.core.address_map import Table
from aggregator.core.promise import Promise, Term
from aggregator.core.reach import Reach, changed_reach

FLOW = Term(2, "value", "flow", "float32")


def block(start: int, size: int, *offsets: int, table: Table = Table.INPUT, unit: int = 1) -> Promise:
    """A block with an item of two registers at each of some offsets, and gaps else."""
    return Promise(str(unit), unit, table, start, size, "FT-101", tuple((offset, FLOW) for offset in offsets))


def told(old: list[Promise], new: list[Promise]) -> list[tuple[int, str, bool]]:
    was, now = ([line for each in promises for line in each.lines()] for promises in (old, new))
    found = changed_reach(Reach.of_promises(old), Reach.of_promises(new), was, now)
    return [(run.unit_id, run.span, run.readable) for run in found]


def test_the_same_blocks_are_no_difference() -> None:
    assert told([block(100, 8, 0), block(108, 8, 0)], [block(100, 16, 0, 8)]) == []


def test_a_gap_that_answers_exception_02_from_now_on_is_told_and_so_is_a_new_one() -> None:
    """MODBUS Application Protocol Specification V1.1b3, section 6.4: an address too far is exception 02."""
    assert told([block(100, 10, 0)], [block(100, 4, 0)]) == [(1, "input 104-109", False)]
    assert told([block(100, 4, 0)], [block(100, 5, 0)]) == [(1, "input 104", True)]


def test_a_run_of_items_alone_is_left_to_what_is_said_of_them() -> None:
    assert told([block(100, 4, 0, 2)], [block(100, 2, 0)]) == []
    assert told([block(100, 5, 0, 2)], [block(100, 2, 0)]) == [(1, "input 102-104", False)]


def test_blocks_side_by_side_are_one_run_and_each_table_and_device_has_its_own() -> None:
    gone = [block(100, 8, 0), block(108, 8, 0), block(100, 8, table=Table.HOLDING), block(100, 8, unit=2)]
    assert told(gone, []) == [(1, "input 100-115", False), (1, "holding 100-107", False), (2, "input 100-107", False)]
    assert told([], gone)[0] == (1, "input 100-115", True)


def test_an_item_that_moves_leaves_its_gaps_behind() -> None:
    assert told([block(100, 4, 0)], [block(200, 4, 0)]) == [(1, "input 100-103", False), (1, "input 200-203", True)]
