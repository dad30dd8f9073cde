"""Several readings in one uplink: how a profile says where they stand, and when each was measured."""

from __future__ import annotations

from aggregator.config.document import Document, Steps
from aggregator.config.findings import Findings
from aggregator.config.profile_keys import BinaryAgeKeys, BinaryKeys, DecodedRecordsKeys
from aggregator.config.scalars import SECONDS
from aggregator.core.pointer import Pointer
from aggregator.core.profile import Binary
from aggregator.core.records import DecodedRecords, Records, Stamp


def size_of(kind: str) -> int:
    """The bytes of a number of a binary type: 2 of `uint16`."""
    return int(kind.lstrip("abcdefghijklmnopqrstuvwxyz")) // 8


def records_of(keys: BinaryKeys, layout: Binary) -> Records:
    """How the records of a payload read, each of them by `layout`."""
    records = keys.records
    assert records is not None
    stamp = records.age or records.time
    assert stamp is not None
    step = SECONDS[stamp.unit] if isinstance(stamp, BinaryAgeKeys) else None
    read = Stamp(stamp.at, size_of(stamp.as_), stamp.order or keys.order, step)
    return Records(records.from_, records.every, read, layout)


def check_records(keys: BinaryKeys, file: Document, steps: Steps, findings: Findings) -> None:
    """Find what reaches beyond its record."""
    records = keys.records
    assert records is not None
    stamp = records.age or records.time
    assert stamp is not None
    parts = [(each.at, each.as_, (*steps, "items", at)) for at, each in enumerate(keys.items)]
    parts.append((stamp.at, stamp.as_, (*steps, "records", "age" if records.age else "time")))
    for at, kind, place in parts:
        if at + size_of(kind) > records.every:
            what = f"bytes {at}-{at + size_of(kind) - 1} reach beyond a record of {records.every}"
            findings.wrong(file.place(*place, "at"), what, "Check it, and `every` of `records`")


def decoded_records_of(keys: DecodedRecordsKeys | None) -> DecodedRecords | None:
    """Where the records of a decoded object stand."""
    if keys is None:
        return None
    if keys.age is not None:
        return DecodedRecords(Pointer(keys.each), Pointer(keys.age.at), SECONDS[keys.age.unit])
    assert keys.time is not None
    return DecodedRecords(Pointer(keys.each), Pointer(keys.time), None)
