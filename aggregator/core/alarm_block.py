"""The block of alarms: how the whole site or one group of alarms stands, and what is written to answer for all of it.

The offsets below are part of the promise to plant software: figures are added at the end, none ever moves.
"""

from __future__ import annotations

from aggregator.core.address_map import Item, Layout, Shows, Table
from aggregator.core.alarm import Priority
from aggregator.core.encoding import ItemCodec, Order
from aggregator.core.gateway import BUILT_IN, Figure, encoding_of

TAG_REGISTERS = 8

FIGURES = (
    Figure("active", 0, "uint16", "", "alarms whose condition stands and is announced"),
    Figure("unacknowledged", 1, "uint16", "", "alarms that nobody has taken note of yet"),
    Figure("priority", 2, "uint16", "", "the highest of an active alarm: 1 low to 4 critical, 0 for none"),
    Figure("latched", 3, "uint16", "", "alarms whose condition has gone and whose reset is due"),
    Figure("shelved", 4, "uint16", "", "alarms that an operator has shelved"),
    Figure("suppressed", 5, "uint16", "", "alarms that are suppressed by design"),
    Figure("out_of_service", 6, "uint16", "", "alarms that are out of service"),
    Figure("sounder", 7, "uint16", "", "1 while the site's sounder is asked for, until it is silenced"),
    *(
        Figure(f"active_{priority.name.lower()}", 7 + priority, "uint16", "", f"active alarms of priority {priority}")
        for priority in Priority
    ),
    *(
        Figure(
            f"unacknowledged_{priority.name.lower()}",
            11 + priority,
            "uint16",
            "",
            f"unacknowledged alarms of priority {priority}",
        )
        for priority in Priority
    ),
    Figure("sequence", 16, "uint32", "", "the sequence number of the newest alarm; 0 before the first"),
    Figure("vote", 18, "uint16", "", "state of the group's vote, 1 to 9 as an alarm's; 0 where there is none"),
    Figure("demanding", 19, "uint16", "", "members of the group whose condition stands"),
    Figure("not_voting", 20, "uint16", "", "members that are silent or put aside"),
    Figure("first_up", 21, "uint16", "", "which member was first up, counted from 1; 0 for none"),
    Figure("first_up_tag", 22, "text", "", "its tag, 16 characters"),
    Figure("announced_day", 30, "uint16", "", "alarms announced in the last 24 hours, since the start at most"),
    Figure("standing_day", 31, "uint16", "", "alarms that have been active since they were raised over 24 hours ago"),
)
BITS = (
    Figure("active", 0, "", "", "an alarm is active"),
    Figure("unacknowledged", 1, "", "", "an alarm is unacknowledged"),
    Figure("sounder", 2, "", "", "the site's sounder is asked for"),
    Figure("vote", 3, "", "", "the group's vote is active"),
)
SWITCHED = {
    Shows.RESET: "1 resets those whose condition has gone; reads as 0",
    Shows.SILENCE: "1 silences the site's sounder, and no alarm; reads as 0",
}
COILS = {Shows.ACKNOWLEDGE: "1 acknowledges what this client has read of these alarms; reads as 0", **SWITCHED}
NUMBER_SAYS = "the sequence number of the alarm to acknowledge, written whole; reads as 0"
# More than is used, so that a later figure moves nobody's addresses.
ALARM_BLOCK = {Table.INPUT: 40, Table.HOLDING: 8, Table.DISCRETE: 8, Table.COIL: 8}


def alarm_layout(group: str, words: Order, byte_order: Order) -> Layout:
    """The block of a group of alarms, or of the whole site, in the given order of words and bytes."""

    def codec_of(type_name: str, filler: int | None = None) -> ItemCodec:
        return ItemCodec(encoding_of(type_name, words, byte_order, TAG_REGISTERS), filler=filler)

    def item(table: Table, offset: int, shows: Shows, of: str, codec: ItemCodec | None, says: str) -> Item:
        return Item(table, offset, shows, of, codec, note=says, place=BUILT_IN, about=group)

    figures = [
        item(Table.INPUT, each.offset, Shows.SUMMARY, each.name, codec_of(each.type), each.says) for each in FIGURES
    ]
    bits = [item(Table.DISCRETE, each.offset, Shows.SUMMARY, each.name, None, each.says) for each in BITS]
    coils = [item(Table.COIL, offset, shows, "", None, says) for offset, (shows, says) in enumerate(COILS.items())]
    number = item(Table.HOLDING, 0, Shows.ACKNOWLEDGE, "", codec_of("uint32", 0), NUMBER_SAYS)
    switches = [
        item(Table.HOLDING, 2 + at, shows, "", codec_of("uint16"), says)
        for at, (shows, says) in enumerate(SWITCHED.items())
    ]
    return Layout(f"alarms of {group or 'the site'}", (*figures, *bits, *coils, number, *switches), BUILT_IN)
