"""When Python's garbage collector looks, so that no poll waits for it.

It walks every object that may be part of a ring, some 50 for each meter, and all waits meanwhile. What stays is
therefore left out of its walks (`leave_out`), and it does not look at all while a site is built anew (`held_back`): the
old one must then fall apart by itself (`Site.let_go`), as nothing that was left out is ever looked at again.
"""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator

GARBAGE = 100_000  # new objects before it looks; a backlog of uplinks is many objects and none is garbage


def begin() -> None:
    """Once everything stands: clear away what starting left behind, and leave out what stays."""
    gc.set_threshold(GARBAGE)
    gc.collect()
    leave_out()


def leave_out() -> None:
    """Leave all that there is now out of its walks for good."""
    gc.freeze()


@contextlib.contextmanager
def held_back() -> Iterator[None]:
    """Keep it from looking meanwhile."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
