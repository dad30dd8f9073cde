"""The block of alarms: its offsets are a promise."""

from __future__ import annotations

from aggregator.core.address_map import Table, layout_problems
from aggregator.core.alarm_block import ALARM_BLOCK, alarm_layout
from aggregator.core.encoding import Order


def test_figures_stand_where_they_were_promised() -> None:
    layout = alarm_layout("hall", Order.HIGH_FIRST, Order.HIGH_FIRST)
    assert [(item.offset, item.of, item.size) for item in layout.in_table(Table.INPUT)] == [
        (0, "active", 1), (1, "unacknowledged", 1), (2, "priority", 1), (3, "latched", 1), (4, "shelved", 1),
        (5, "suppressed", 1), (6, "out_of_service", 1), (7, "sounder", 1),
        (8, "active_low", 1), (9, "active_medium", 1), (10, "active_high", 1), (11, "active_critical", 1),
        (12, "unacknowledged_low", 1), (13, "unacknowledged_medium", 1), (14, "unacknowledged_high", 1),
        (15, "unacknowledged_critical", 1), (16, "sequence", 2), (18, "vote", 1), (19, "demanding", 1),
        (20, "not_voting", 1), (21, "first_up", 1), (22, "first_up_tag", 8),
        (30, "announced_day", 1), (31, "standing_day", 1),
    ]  # fmt: skip
    assert [(item.offset, item.of) for item in layout.in_table(Table.DISCRETE)] == [
        (0, "active"), (1, "unacknowledged"), (2, "sounder"), (3, "vote")]  # fmt: skip
    assert [(item.offset, str(item.shows)) for item in layout.in_table(Table.COIL)] == [
        (0, "acknowledge"), (1, "reset"), (2, "silence")]  # fmt: skip
    assert [(item.offset, str(item.shows), item.size) for item in layout.in_table(Table.HOLDING)] == [
        (0, "acknowledge", 2), (2, "reset", 1), (3, "silence", 1)]  # fmt: skip
    assert layout_problems(layout) == []


def test_the_block_has_room_for_more() -> None:
    layout = alarm_layout("", Order.LOW_FIRST, Order.HIGH_FIRST)
    assert all(layout.size(table) < size for table, size in ALARM_BLOCK.items())
