"""Frames on a serial line (RTU): how long one is, told from its first bytes and proved by its CRC.

    | address | function | data            | CRC low | CRC high |      4 to 256 bytes
      0        everybody, who carry it out and do not answer
      1-247    one server
      248-255  reserved

Nothing in a frame says where it ends, nor whether it asks or answers. Each function has a length for its requests and
one for its answers; of those that can be, the frame is the one whose CRC is right. A function that is not known here is
as long as the first portion whose CRC is right.

Sources: MODBUS over Serial Line V1.02 section 2.5.1, MODBUS Application Protocol Specification V1.1b3 sections 6 and 7.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from aggregator.core.crc import crc16
from aggregator.core.identity import LONGEST_PDU

CRC_SIZE: Final = 2
SHORTEST: Final = 4
LONGEST: Final = 1 + LONGEST_PDU + CRC_SIZE
EVERYBODY: Final = 0
EXCEPTION: Final = 0x80
EXCEPTION_SIZE: Final = 5
MORE: Final = 0  # the frame may go on
NONE: Final = -1  # no frame begins here

Sizes = Mapping[int, tuple[int, int]]
# Function -> size of the frame without what is counted, and where the byte stands that counts the rest (0: nothing is).
_REQUESTS: Final[Sizes] = {
    **dict.fromkeys((1, 2, 3, 4, 5, 6, 8), (8, 0)),
    **dict.fromkeys((7, 11, 12, 17), (4, 0)),
    **dict.fromkeys((15, 16), (9, 6)),
    **dict.fromkeys((20, 21), (5, 2)),
    22: (10, 0),
    23: (13, 10),
    24: (6, 0),
    43: (7, 0),
}
_ANSWERS: Final[Sizes] = {
    **dict.fromkeys((1, 2, 3, 4, 12, 17, 20, 21, 23), (5, 2)),
    **dict.fromkeys((5, 6, 8, 11, 15, 16), (8, 0)),
    7: (5, 0),
    22: (10, 0),
    24: (6, 3),  # its count has two bytes, the first of them always 0 [6.18]
}
_OF_ANY_LENGTH: Final = {8, 43}  # the sizes above are the usual ones; both also have others [6.8.1, 6.19, 6.21]


def sealed(frame: bytes) -> bytes:
    """Address and PDU with their CRC."""
    return frame + crc16(frame).to_bytes(CRC_SIZE, "little")


def is_sound(frame: bytes) -> bool:
    """Whether the whole of it is one frame: over everything, CRC included, the CRC is 0 (V1.02 section 6.2.2)."""
    return SHORTEST <= len(frame) <= LONGEST and crc16(frame) == 0


def request_size(heard: bytes, *, ended: bool = False) -> int:
    """The size of the request that `heard` begins with; MORE, or NONE. `ended`: nothing will follow."""
    return _size(heard, (_REQUESTS,), strict=False, ended=ended)


def any_size(heard: bytes, *, answer_due: bool, ended: bool = False) -> int:
    """The same for a frame that may also be an answer, as on another server's traffic.

    Where an answer is due it is nothing else that could be an answer: a long answer may begin as a request does.
    """
    tables = (_ANSWERS, _REQUESTS) if answer_due else (_REQUESTS, _ANSWERS)
    return _size(heard, tables, strict=answer_due, ended=ended)


def _size(heard: bytes, tables: Iterable[Sizes], *, strict: bool, ended: bool) -> int:
    """The first possible size with a right CRC. `strict`: none is tried before those ahead of it have failed."""
    if len(heard) < SHORTEST:
        return NONE if ended else MORE
    sizes = [size for table in tables if (size := _declared(heard, table))]
    may_grow = False
    for size in sizes:
        if size <= len(heard) and is_sound(heard[:size]):
            return size
        may_grow = may_grow or len(heard) < size <= LONGEST
        if may_grow and strict and not ended:
            return MORE
    if may_grow and not ended:
        return MORE
    return NONE if sizes and heard[1] not in _OF_ANY_LENGTH else _first_sound(heard, ended=ended)


def _declared(heard: bytes, table: Sizes) -> int:
    """How long the function's frame is, 0 where it is not in the table. What is not counted yet counts as most."""
    function = heard[1]
    if function & EXCEPTION:
        return EXCEPTION_SIZE
    size, counts_at = table.get(function, (0, 0))
    if not counts_at:
        return size
    return size + heard[counts_at] if counts_at < len(heard) else LONGEST


def _first_sound(heard: bytes, *, ended: bool) -> int:
    crc = crc16(heard[: SHORTEST - 1])
    for at in range(SHORTEST - 1, min(len(heard), LONGEST)):
        crc = crc16(heard[at : at + 1], crc)
        if crc == 0:
            return at + 1
    return NONE if ended or len(heard) >= LONGEST else MORE
