"""Computed fields of a profile: what each stands on, found among the fields before it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from aggregator.config import units
from aggregator.config.document import Document, Steps
from aggregator.config.findings import Findings
from aggregator.config.profile_keys import COMPUTED, FieldKeys
from aggregator.config.scalars import Wrong
from aggregator.core.computed import Computed, How
from aggregator.core.profile import Field
from aggregator.core.slip import near


def computed_of(
    name: str, listed: Mapping[str, FieldKeys], fields: Sequence[Field], file: Document, findings: Findings
) -> tuple[Computed | None, str]:
    """What a field is computed from, None where a meter sends it; with it its unit. `fields` stand before it."""
    keys, steps = listed[name], ("fields", name)
    way = next((each for each in COMPUTED if getattr(keys, each) is not None), None)
    if way is None:
        return None, keys.unit
    finder = _Finder(name, listed, fields, file, findings)
    if keys.mixture_of is not None:
        found = [finder.share(each, text, (*steps, way, each)) for each, text in keys.mixture_of.items()]
        shares = [share for share in found if share is not None]
        return Computed(How.MIXTURE, tuple(at for at, _ in shares), limits=tuple(limit for _, limit in shares)), ""
    index, how = finder.index(getattr(keys, way), (*steps, way)), How(way.removesuffix("_of"))
    unit = "%" if how is How.COVERED else "" if index is None else fields[index].unit
    if index is not None and keys.unit not in ("", unit):
        what = f"{name} is in {unit or 'plain numbers'}, as what it is computed from"
        findings.wrong(file.place(*steps, "unit"), what, f"Leave `unit` out, or write {unit or '-'}")
    of = () if index is None else (index,)
    return Computed(how, of, keys.over or 0.0, keys.covers_at_least / 100), unit


class _Finder:
    """Finds what a computed field names among the fields before it."""

    def __init__(
        self,
        name: str,
        listed: Mapping[str, FieldKeys],
        fields: Sequence[Field],
        file: Document,
        findings: Findings,
    ) -> None:
        self.name = name
        self.listed = listed
        self.fields = fields
        self.file = file
        self.findings = findings

    def index(self, wanted: str, steps: Steps) -> int | None:
        known = [each.name for each in self.fields]
        if wanted in known:
            return known.index(wanted)
        itself = wanted == self.name or wanted in self.listed
        what = f"`{wanted}` does not stand before {self.name}" if itself else f"there is no field `{wanted}`"
        cure = "A field is computed from those before it" if itself else near(wanted, known, "There are")
        self.findings.wrong(self.file.place(*steps), what, cure)
        return None

    def share(self, wanted: str, text: str, steps: Steps) -> tuple[int, float] | None:
        index = self.index(wanted, steps)
        if index is None:
            return None
        try:
            limit = units.quantity(text, self.fields[index].unit)
            if limit <= 0:
                raise Wrong(f"a limit of `{text}` divides by nothing", "Write more than zero")
        except Wrong as wrong:
            self.findings.take(wrong, self.file, *steps)
            return None
        return index, limit
