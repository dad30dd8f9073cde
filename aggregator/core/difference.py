"""What is different between two maps, as plant software would notice it.

A line that is the same on both sides at the same address is no difference. Of the others, the lines of one owner and
item are paired, the most alike first: what is left of a pair has moved, or changed its terms, or both. What finds no
partner is gone, or new.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator
from dataclasses import dataclass

from aggregator.core.address_map import Table
from aggregator.core.promise import Line, Where

# What of a line can change beside its place, with the words for it.
TERMS = (
    ("registers", "registers"),
    ("type", "type"),
    ("words", "order of words"),
    ("bytes", "order of bytes"),
    ("scale", "scale"),
    ("offset", "offset"),
    ("unit", "unit"),
    ("no_value", "no value"),
    ("when_stale", "when stale"),
)
# How alike two lines of one owner and item are, the most alike first.
ALIKE: tuple[Callable[[Line], Hashable], ...] = (
    lambda line: line.where,
    lambda line: (line.device, line.table.key, line.term),
    lambda line: line.term,
    lambda line: (line.device, line.table.key),
    lambda line: line.device,
    lambda _line: "whatever else",
)


@dataclass(frozen=True, slots=True)
class Change:
    """One thing about an item that was so and is now otherwise, in words."""

    of: str
    was: str
    now: str

    def __str__(self) -> str:
        return f"{self.of} from {self.was or 'none'} to {self.now or 'none'}"


@dataclass(frozen=True, slots=True)
class Difference:
    """A line that is not as it was. `was` is None for a new one, `now` for one that is gone.

    `instead` is the line that now stands where it was: plant software that is not changed takes that for it.
    """

    was: Line | None
    now: Line | None
    instead: Line | None = None

    @property
    def moved(self) -> bool:
        """Whether both are there, at different addresses."""
        return self.was is not None and self.now is not None and self.was.where != self.now.where

    @property
    def line(self) -> Line:
        """The line that there was, else the new one."""
        line = self.was or self.now
        assert line is not None
        return line

    @property
    def kinds(self) -> list[str]:
        """What has happened, in one or two words: `new`, `gone`, `moved`, `changed`, and `replaced` beside them."""
        if self.was is None:
            return ["new"]
        kinds = ["gone"] if self.now is None else ["moved"] * self.moved + ["changed"] * bool(self.changes)
        return kinds + ["replaced"] * (self.instead is not None)

    @property
    def changes(self) -> list[Change]:
        """The terms that have changed."""
        if self.was is None or self.now is None:
            return []
        old, new = self.was.term, self.now.term
        changes = [
            Change(words, _text(getattr(old, name)), _text(getattr(new, name)))
            for name, words in TERMS
            if getattr(old, name) != getattr(new, name)
        ]
        if self.was.hidden != self.now.hidden:
            answers = ("answered", "not answered")
            changes.append(Change("function 03", answers[self.was.hidden], answers[self.now.hidden]))
        return changes


def _text(value: object) -> str:
    return f"{value:.15g}" if isinstance(value, float) else str(value)


def differences(old: Iterable[Line], new: Iterable[Line]) -> list[Difference]:
    """Every difference, in the order of the old addresses; what is new stands at its own."""
    old_at = {line.key: line for line in old}
    new_at = {line.key: line for line in new}
    was = [line for key, line in old_at.items() if new_at.get(key) != line]
    now = [line for key, line in new_at.items() if old_at.get(key) != line]
    if not was and not now:
        return []
    standing = _by_address(new_at.values())
    found = [_placed(each, standing) for each in _paired(was, now)]
    return sorted(
        found, key=lambda each: (each.line.unit_id, each.line.device, _order(each.line.table), each.line.address)
    )


def _order(table: Table) -> int:
    return list(Table).index(table)


def _by_address(lines: Iterable[Line]) -> dict[Where, Line]:
    return {(*line.where[:3], at): line for line in lines for at in range(line.address, line.end)}


def _paired(was: list[Line], now: list[Line]) -> Iterator[Difference]:
    """Each old line with the new line most like it of the same owner and item, and what is left alone."""
    left = was
    for alike in ALIKE:
        partners: defaultdict[Hashable, list[Line]] = defaultdict(list)
        for line in reversed(now):
            partners[line.who, alike(line)].append(line)
        alone = []
        taken = set()
        for line in left:
            candidates = partners.get((line.who, alike(line)))
            if candidates:
                partner = candidates.pop()
                taken.add(partner.key)
                yield Difference(line, partner)
            else:
                alone.append(line)
        left = alone
        now = [line for line in now if line.key not in taken]
    yield from (Difference(line, None) for line in left)
    yield from (Difference(None, line) for line in now)


def _placed(found: Difference, standing: dict[Where, Line]) -> Difference:
    """The difference with what now stands where the line was, unless that is the same item."""
    if found.was is None or not (found.moved or found.now is None):
        return found
    was = found.was
    addresses = ((*was.where[:3], at) for at in range(was.address, was.end))
    instead = next((standing[at] for at in addresses if at in standing), None)
    return found if instead is None or instead == found.now else Difference(was, found.now, instead)
