"""The rows of the register list: what a SCADA engineer needs to know of every address."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from aggregator.core.address_map import Device, Entry, Shows, Table, WhenStale, areas, fingerprint
from aggregator.core.gateway import BUILT_IN
from aggregator.core.painter import FLAGS
from aggregator.core.promise import Term, meets
from aggregator.core.reading import GOOD_ALL_THE_SAME, REASON_WORDS, Grade, Reason, grade_of, reason_word
from aggregator.core.register import Register
from aggregator.core.site import Declared
from aggregator.register_list.alarm_words import bounds_of, note_of

COLUMNS = (
    "unit id",
    "device",
    "table",
    "function",
    "PDU address",
    "PDU hex",
    "data number",
    "reference",
    "short reference",
    "registers",
    "type",
    "words",
    "bytes",
    "scale",
    "offset",
    "unit",
    "tag",
    "name",
    "area",
    "item",
    "shows",
    "range",
    "no value",
    "when stale",
    "note",
    "declared at",
)
OWNER_ENDS = ": "  # between the gateway or test block and its item, which have no tag
STALE_WORDS = {
    str(WhenStale.HOLD): "holds the last value",
    str(WhenStale.FILLER): "shows no value",
    str(WhenStale.REFUSE): "answers exception 0B",
}
CAUTION = (
    "Monitoring, not a safety function. Ranges and limits are for the site's competent persons to confirm under their "
    "local codes."
)


@dataclass(frozen=True, slots=True)
class RegisterList:
    """Every item of the chosen devices, in the order of unit id, table and address whatever the order of the files."""

    site: str
    revision: str
    fingerprint: int
    devices: tuple[Device, ...]
    rows: tuple[dict[str, str], ...]

    @classmethod
    def of(cls, declared: Declared, only: Device | None = None) -> RegisterList:
        """The list of a whole site, or of one device. The fingerprint is the whole map's in both cases."""
        chosen = declared.devices if only is None else (only,)
        devices = tuple(sorted(chosen, key=lambda device: (device.unit_id, device.name)))
        rows = tuple(row for device in devices for row in _rows(declared, device))
        return cls(declared.name, declared.revision, fingerprint(declared.devices), devices, rows)

    @property
    def issue(self) -> str:
        """Which map this is a list of, in words."""
        revision = f"revision {self.revision}, " if self.revision else ""
        return f"map {revision}fingerprint {self.fingerprint:08x}"


def notes() -> list[str]:
    """What must be said beside every register list."""
    return [
        CAUTION,
        "PDU addresses count from 0 and go on the wire; data numbers count from 1.",
        "References are data numbers after the table's digit; the short ones end at data number 9999.",
        "Input registers answer function 03 at the same address too, wherever no holding block stands.",
        "Plant software that knows holding registers only writes 4 for the first digit of an input register's.",
        "Gaps and spare slots inside a block read as zero; every address outside a block answers exception 02.",
        "Read a value together with its status word in one request: both are of the same moment.",
        "A stand-in has the meter's own list: only the functions named answer, gaps answer 02, and nothing is written.",
        "A value of several registers is written whole in one request; half a value is refused with exception 03.",
    ]


def status_bits() -> Iterator[tuple[str, str, str, str]]:
    """The bits of the status word: number, name, meaning, and the grade that follows."""
    grades = ", ".join(f"{int(grade)} {grade.name.lower()}" for grade in Grade)
    yield "0-1", "grade", f"{grades}; 0 where no meter stands", ""
    for reason, words in REASON_WORDS.items():
        grade = "any" if reason & GOOD_ALL_THE_SAME else grade_of(reason).name.lower()
        grade = "uncertain" if reason is Reason.CLAMPED else grade
        yield (
            str(int(reason).bit_length() - 1),
            reason_word(reason),
            words,
            grade,
        )


def _rows(declared: Declared, device: Device) -> Iterator[dict[str, str]]:
    meters = {meter.tag: meter for meter in declared.meters}
    holdings = areas(device.in_table(Table.HOLDING))
    settings = {setting.name: setting for setting in declared.settings}
    alarms = {alarm.key: alarm for alarm in declared.alarms.alarms}
    for entry in device.entries():
        item = entry.item
        register = Register(entry.table, entry.address)
        term = Term.of(item, stands_in=device.stands_in is not None)
        meter = meters[entry.tag] if entry.tag else None
        profile = meter.profile if meter else None
        index = profile.index_of(item.of) if profile and item.shows is Shows.VALUE else None
        field = profile.fields[index] if profile is not None and index is not None else None
        hidden = entry.table is Table.INPUT and meets(holdings, entry.address, entry.end)
        bounds = bounds_of(entry, alarms)
        limits = settings.get(item.of) if item.shows is Shows.SETTING else field
        yield {
            "unit id": str(device.unit_id),
            "device": device.name,
            "table": entry.table.words,
            "function": f"{entry.table.function:02d}" if device.stands_in else functions_of(entry, hidden=hidden),
            "PDU address": str(entry.address),
            "PDU hex": f"{entry.address:04X}",
            "data number": str(entry.address + 1),
            "reference": register.reference,
            "short reference": register.short_reference,
            "registers": str(item.size) if item.codec else "",
            "type": term.type,
            "words": term.words,
            "bytes": term.bytes,
            "scale": f"{term.scale:.15g}" if term.scale != 1 else "",
            "offset": f"{term.offset:.15g}" if term.offset else "",
            "unit": item.unit,
            "tag": entry.tag or "",
            "name": meter.name if meter else "",
            "area": meter.area if meter else "",
            "item": term.item if entry.tag else f"{entry.owner}{OWNER_ENDS}{term.item}",
            "shows": term.shows,
            "range": _range(limits.low, limits.high, limits.unit) if limits else bounds,
            "no value": term.no_value,
            "when stale": STALE_WORDS.get(term.when_stale, ""),
            "note": item.note
            or (field.label if field else "")
            or _flag_words(item.of)
            or note_of(entry, alarms, meter),
            "declared at": BUILT_IN.file if item.place == BUILT_IN else item.place.short,
        }


def functions_of(entry: Entry, *, hidden: bool = False) -> str:
    """The functions that an item answers; 06 and 22 write a single register, which may not be part of a value."""
    if entry.table is Table.HOLDING:
        return "03, 06, 16, 22, 23" if entry.item.size == 1 else "03, 16, 23"
    if entry.table is Table.INPUT:
        return "04" if hidden else "04, 03"
    return {Table.COIL: "01, 05, 15", Table.DISCRETE: "02"}[entry.table]


def _range(low: float, high: float, unit: str) -> str:
    return "" if math.isinf(low) and math.isinf(high) else f"{low:g} .. {high:g} {unit}".strip()


def _flag_words(name: str) -> str:
    return REASON_WORDS[Reason(FLAGS[name])] if name in FLAGS else ""
