"""What comes again and again, told once and then counted: a flood of one trouble must fill neither log nor journal."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from typing import Generic, TypeVar

T = TypeVar("T")

QUIET_FOR = 60.0  # s of the steady clock between two tellings of one kind
MOST_KINDS = 1000  # kinds remembered; a scan of odd nodes or hosts must not fill memory


@dataclass(slots=True)
class Held(Generic[T]):
    """One kind: the last of it, when it was told, and how many came since."""

    what: T
    since: float
    count: int = 0


class Repeats(Generic[T]):
    """Holds back what is of a kind that was told less than a minute ago."""

    def __init__(self) -> None:
        self._held: dict[Hashable, Held[T]] = {}

    def tell(self, kind: Hashable, what: T, monotonic: float) -> int | None:
        """How many of its kind were held back, where it is to be told now; None where it is to be held back too."""
        held = self._held.get(kind)
        if held is not None and monotonic - held.since < QUIET_FOR:
            held.count += 1
            held.what = what
            return None
        if len(self._held) >= MOST_KINDS:
            self._held.clear()
        self._held[kind] = Held(what, monotonic)
        return held.count if held else 0

    def over(self, monotonic: float) -> Iterator[tuple[T, int]]:
        """The last of each kind that has been held back for long enough, and how many there were. Ask now and then."""
        for kind, held in list(self._held.items()):
            if monotonic - held.since >= QUIET_FOR:
                del self._held[kind]
                if held.count:
                    yield held.what, held.count
