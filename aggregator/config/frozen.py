"""map.frozen.yaml: what plant software has been built on, beside the map that must go on giving it.

    terms:                                  what stands in a block: a line an item, at its offset
      flow-point.input:
        - {at: 0, shows: status, item: status, as: uint16, bytes: high-first}
    units:
      - unit: 1
        input:
          100-131: flow-point.input FT-101  addresses, which terms, whose block

It is written by `aggregator freeze` and `aggregator thaw`, and is made to be read and compared by people. The count of
items at its head tells a file that was cut short from one that somebody took an item out of by command.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from aggregator.config import scalars
from aggregator.config.document import Document, Steps, read
from aggregator.config.findings import Findings
from aggregator.config.keys import Keys
from aggregator.config.scalars import Wrong
from aggregator.config.sentences import validate
from aggregator.config.values import ADDRESSES, Address, Between, Name, Number, Orders, Text
from aggregator.core.address_map import Table
from aggregator.core.errors import ConfigurationError
from aggregator.core.freeze import line_count
from aggregator.core.promise import SPARE, Promise, Term, Terms
from aggregator.core.slip import near

FILE = "map.frozen.yaml"
RUN = re.compile(r"([0-9]+)-([0-9]+)")
PLAIN = re.compile(r"[A-Za-z][\w ./()+-]*|-?[0-9.][\w.+-]*")  # needs no quotes
TABLE_OF_TERMS = re.compile(r"\.(coil|discrete|input|holding)(\.[0-9]+)?$")  # what follows a layout's name
HEAD = """\
# Addresses that plant software relies on. `aggregator check` and `aggregator run` refuse a map.yaml that moves, changes
# or loses any of them. `aggregator freeze` adds to this file, `aggregator thaw NAME` takes out of it; keep it with the
# map and do not edit it by hand.
"""
CURE = "Take the file from a copy, or look with `aggregator compare` and freeze anew"


def _run(value: object) -> tuple[int, int]:
    """First and last address, both included."""
    given = scalars.text(value)
    found = RUN.fullmatch(given)
    if not found or not ADDRESSES.check(found[1]) <= ADDRESSES.check(found[2]):
        raise Wrong(f"`{given}` is no run of addresses", CURE)
    return int(found[1]), int(found[2])


Run = Annotated[tuple[int, int], BeforeValidator(_run)]
Blocks = dict[Run, Text]


class TermKeys(Keys):
    """How one item stands, and at which offset of its block."""

    at: Address
    shows: Text
    item: Text
    as_: Text = Field("bit", alias="as")
    registers: Annotated[int, Between(1, 64)] = 1
    words: Orders | None = None
    bytes_: Orders | None = Field(None, alias="bytes")
    scale: Number = 1.0
    offset: Number = 0.0
    unit: Text | None = None
    no_value: Text | None = None
    stale: Text | None = None


class UnitKeys(Keys):
    """What is frozen of one device. `hidden` are input registers that function 03 does not read."""

    unit: Annotated[int, Between(1, 247)]
    name: Name | None = None
    input: Blocks = Field({})
    holding: Blocks = Field({})
    discrete: Blocks = Field({})
    coil: Blocks = Field({})
    hidden: list[Address] = Field([])


class FrozenKeys(Keys):
    """The whole file. `revision` and `fingerprint` are those of the map when it was written."""

    format: Literal["1"]
    site: Text
    revision: Text | None = None
    fingerprint: Text
    items: Annotated[int, Between(0, 10_000_000)]
    terms: dict[Text, list[TermKeys]] = Field({})
    units: list[UnitKeys] = Field([])


@dataclass(frozen=True, slots=True)
class Issue:
    """Of which map something is: the site's name, the map's revision and its fingerprint in hexadecimal."""

    site: str
    revision: str
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Frozen:
    """What is frozen, and as of which map."""

    issue: Issue
    promises: tuple[Promise, ...]


def read_frozen(folder: Path) -> Frozen | None:
    """What is frozen of a site, None where it has no such file. Raises ConfigurationError for a damaged one."""
    path = folder / FILE
    return read_frozen_file(path) if path.exists() or path.is_symlink() else None


def read_frozen_file(path: Path) -> Frozen:
    """What a file says is frozen. Raises ConfigurationError."""
    document = read(path)
    keys = validate(FrozenKeys, document)
    return Frozen(Issue(keys.site, keys.revision or "", keys.fingerprint), _Reader(keys, document).promises())


class _Reader:
    """Puts the file together into promises; blocks with the same terms share one tuple of them."""

    def __init__(self, keys: FrozenKeys, file: Document) -> None:
        self.keys = keys
        self.file = file
        self.findings = Findings()
        self.terms = {
            name: tuple((each.at, self._term(each, ("terms", name, at))) for at, each in enumerate(rows))
            for name, rows in keys.terms.items()
        }

    def promises(self) -> tuple[Promise, ...]:
        """All of them. Raises ConfigurationError for what does not fit together."""
        found = tuple(each for at, unit in enumerate(self.keys.units) for each in self._of_unit(unit, at))
        if line_count(found) != self.keys.items and not self.findings.problems:
            what = f"{self.keys.items} items are said to be frozen, and {line_count(found)} are in the file"
            self.findings.wrong(self.file.place("items"), what, CURE)
        if self.findings.problems:
            raise ConfigurationError(self.findings.problems)
        return found

    def _of_unit(self, unit: UnitKeys, at: int) -> Iterator[Promise]:
        hidden = frozenset(unit.hidden)
        for table in Table:
            blocks: Blocks = getattr(unit, table.key)
            for (start, last), whose in blocks.items():
                steps: Steps = ("units", at, table.key, f"{start}-{last}")
                named, _, owner = whose.partition(" ")
                if whose != SPARE and (named not in self.terms or not owner):
                    what = f"`{whose}` is neither {SPARE} nor terms and an owner"
                    self.findings.wrong(self.file.place(*steps), what, near(named, self.terms, "The terms are"))
                    continue
                where = (unit.name or str(unit.unit), unit.unit, table, start, last - start + 1)
                off = frozenset(each - start for each in hidden if start <= each <= last and table is Table.INPUT)
                place, kind = self.file.key_place(*steps), TABLE_OF_TERMS.sub("", named)
                yield Promise(*where, owner or SPARE, self.terms.get(named, ()), off, place, kind=kind)

    def _term(self, keys: TermKeys, steps: Steps) -> Term:
        return Term(
            keys.registers,
            keys.shows,
            keys.item,
            keys.as_,
            keys.words or "",
            keys.bytes_ or "",
            keys.scale,
            keys.offset,
            keys.unit or "",
            keys.no_value or "",
            keys.stale or "",
            self.file.place(*steps),
        )


def frozen_text(frozen: Frozen) -> str:
    """The file that says so. Reading it gives the same promises."""
    promises, issue = frozen.promises, frozen.issue
    names = _names_of_terms(promises)
    head = {"format": "1", "site": issue.site, "revision": issue.revision, "fingerprint": issue.fingerprint}
    lines = [f"{key}: {_scalar(value)}" for key, value in head.items() if value]
    lines += [f"items: {line_count(promises)}", "", "# What stands in a block: each item at its offset."]
    lines.append("terms:" if names else "terms: {}")
    for terms, name in names.items():
        lines.append(f"  {_scalar(name)}:")
        lines += [f"    - {_term_text(offset, term)}" for offset, term in terms]
    lines += ["", "# Whose block stands where, and which of the above is in it."]
    lines.append("units:" if promises else "units: []")
    for (unit, name), of_unit in groupby(promises, key=lambda promise: (promise.unit_id, promise.device)):
        lines.append(f"  - unit: {unit}")
        if name != str(unit):
            lines.append(f"    name: {_scalar(name)}")
        lines += [f"    {line}" for line in _unit_lines(list(of_unit), names)]
    return HEAD + "\n".join(lines) + "\n"


def _names_of_terms(promises: Iterable[Promise]) -> dict[Terms, str]:
    """A name for each set of terms: the layout's and the table's, with a number where those are taken."""
    names: dict[Terms, str] = {}
    taken: Counter[str] = Counter()
    for promise in promises:
        if promise.terms and promise.terms not in names:
            name = f"{promise.kind.replace(' ', '-')}.{promise.table.key}"
            taken[name] += 1
            names[promise.terms] = name if taken[name] == 1 else f"{name}.{taken[name]}"
    return names


def _unit_lines(promises: Sequence[Promise], names: dict[Terms, str]) -> Iterator[str]:
    for table, in_table in groupby(promises, key=lambda promise: promise.table):
        yield f"{table.key}:"
        for promise in in_table:
            whose = f"{names[promise.terms]} {promise.owner}" if promise.terms else SPARE
            yield f"  {promise.start}-{promise.end - 1}: {_scalar(whose)}"
    hidden = sorted(promise.start + offset for promise in promises for offset in promise.hidden)
    if hidden:
        yield f"hidden: [{', '.join(map(str, hidden))}]"


def _term_text(offset: int, term: Term) -> str:
    parts = {
        "at": str(offset),
        "shows": term.shows,
        "item": term.item,
        "as": "" if term.type == "bit" else term.type,
        "registers": "" if term.registers == 1 else str(term.registers),
        "words": term.words,
        "bytes": term.bytes,
        "scale": "" if term.scale == 1 else repr(term.scale),
        "offset": "" if term.offset == 0 else repr(term.offset),
        "unit": term.unit,
        "no_value": term.no_value,
        "stale": term.when_stale,
    }
    return "{" + ", ".join(f"{key}: {_scalar(value)}" for key, value in parts.items() if value) + "}"


def _scalar(text: str) -> str:
    """A text as YAML reads it back, in quotes where it could be taken for something else."""
    return text if PLAIN.fullmatch(text) and text == text.strip() else json.dumps(text, ensure_ascii=False)
