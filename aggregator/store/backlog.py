"""What waits to be written: filled by the event loop, emptied by the writer, bounded while the disk takes nothing."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence

from aggregator.core.keeping import KeptAside, KeptUplink
from aggregator.store.rows import Order

AT_ONCE = 2000  # rows in one transaction: some 30 ms of work, and small enough to fit where room has become scarce
OTHERS = 4  # rows of all kinds that may wait, as a multiple of the uplinks that may

MESSAGES = (KeptUplink, KeptAside)

Done = Callable[[], None]


class Parcel:
    """What was put together, and whom to tell once it is safe."""

    __slots__ = ("done", "orders")

    def __init__(self, orders: list[Order], done: Done | None) -> None:
        self.orders = orders
        self.done = done

    @property
    def is_empty_handed(self) -> bool:
        """Whether its owner only wants to know when all before it is safe."""
        return not self.orders and self.done is not None

    @property
    def is_dead(self) -> bool:
        """Whether all it held was dropped, so that there is nothing to write and nobody to tell."""
        return not self.orders and self.done is None

    def drop_first(self, *, uplink: bool) -> None:
        """Lose the first uplink, or the first of the rest. Nobody is told that it is safe, so the broker keeps it."""
        index = next(at for at, order in enumerate(self.orders) if is_uplink(order) is uplink)
        del self.orders[index]
        self.done = None


def is_uplink(order: Order) -> bool:
    """Whether it is a message of a node, kept or set aside, rather than an event, a state or a command."""
    return isinstance(order, MESSAGES)


class Backlog:
    """A queue of parcels in the order they were put. All calls return at once but `take` and `pause`."""

    def __init__(self, most: int, hold_back: float) -> None:
        self._most = most
        self._hold_back = hold_back
        self._changed = threading.Condition()
        self._parcels: deque[Parcel] = deque()
        self._uplinks: deque[Parcel] = deque()  # the parcel of each uplink that waits, in order
        self._others: deque[Parcel] = deque()  # and of each order that is none
        self._in_hand = 0  # uplinks that the writer has taken and not yet written
        self._empty_handed = 0  # parcels that hold nothing, and whose owner waits to be told all the same
        self._dead = 0  # parcels that have lost all they held
        self._since = 0.0  # when the oldest was put into the empty queue, monotonic s
        self._nudged = False
        self.closing = False
        self.dropped = 0

    @property
    def waiting(self) -> int:
        """How many uplinks are not yet safe."""
        return len(self._uplinks) + self._in_hand

    @property
    def is_empty(self) -> bool:
        return not self._parcels

    def put(self, orders: Sequence[Order], done: Done | None) -> None:
        parcel = Parcel(list(orders), done)
        if parcel.is_dead:
            return
        with self._changed:
            if not self._parcels:
                self._since = time.monotonic()
            self._parcels.append(parcel)
            self._empty_handed += parcel.is_empty_handed
            for order in parcel.orders:
                (self._uplinks if is_uplink(order) else self._others).append(parcel)
            self._bound()
            self._changed.notify()

    def put_back(self, parcels: Iterable[Parcel]) -> None:
        """Give back what could not be written, to stand before all that came since."""
        with self._changed:
            self._in_hand = 0
            for parcel in reversed(list(parcels)):
                self._parcels.appendleft(parcel)
                self._empty_handed += parcel.is_empty_handed
                for order in parcel.orders:
                    (self._uplinks if is_uplink(order) else self._others).appendleft(parcel)
            self._bound()

    def take(self, within: float | None) -> list[Parcel]:
        """The oldest parcels, some AT_ONCE rows of them; none after `within` seconds (None: ever) or a nudge."""
        with self._changed:
            self._changed.wait_for(lambda: self._parcels or self._nudged or self.closing, within)
            self._nudged = False
            if self._parcels and not self._is_urgent():
                self._changed.wait_for(self._is_urgent, self._since + self._hold_back - time.monotonic())
            return self._take()

    def written(self) -> None:
        """Say that what was taken last is safe."""
        with self._changed:
            self._in_hand = 0

    def pause(self, seconds: float) -> None:
        """Wait, but not beyond the close."""
        with self._changed:
            self._changed.wait_for(lambda: self.closing, seconds)

    def nudge(self) -> None:
        """Make `take` return, with or without parcels."""
        with self._changed:
            self._nudged = True
            self._changed.notify()

    def close(self) -> None:
        """Hold nothing back any longer."""
        with self._changed:
            self.closing = True
            self._changed.notify()

    def _is_urgent(self) -> bool:
        if self.closing or self._others or self._empty_handed or len(self._uplinks) >= AT_ONCE:
            return True
        return time.monotonic() - self._since >= self._hold_back

    def _take(self) -> list[Parcel]:
        taken: list[Parcel] = []
        rows = 0
        while self._parcels and rows < AT_ONCE:
            parcel = self._parcels.popleft()
            if parcel.is_dead:
                self._dead -= 1
                continue
            taken.append(parcel)
            rows += len(parcel.orders)
            self._empty_handed -= parcel.is_empty_handed
            for order in parcel.orders:
                (self._uplinks if is_uplink(order) else self._others).popleft()
                self._in_hand += is_uplink(order)
        return taken

    def _bound(self) -> None:
        """Drop the oldest uplinks beyond the bound; events and states only once no uplink is left to drop."""
        room = OTHERS * self._most
        while self._uplinks and (len(self._uplinks) > self._most or len(self._uplinks) + len(self._others) > room):
            self._drop(self._uplinks.popleft(), uplink=True)
        while len(self._others) > room:
            self._drop(self._others.popleft(), uplink=False)

    def _drop(self, parcel: Parcel, *, uplink: bool) -> None:
        parcel.drop_first(uplink=uplink)
        self.dropped += 1
        self._dead += parcel.is_dead
        if self._dead > AT_ONCE:
            self._parcels = deque(each for each in self._parcels if not each.is_dead)
            self._dead = 0
