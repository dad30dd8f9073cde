"""Ranges as a technician writes them: `0 .. 650`, `-20 .. 60 °C`."""

from __future__ import annotations

from aggregator.config import units
from aggregator.config.document import Document, Steps
from aggregator.config.findings import Findings
from aggregator.config.scalars import Wrong, is_number


def range_of(
    text: str | None, unit: str, file: Document, steps: Steps, findings: Findings, *, of_changes: bool = False
) -> tuple[float, float] | None:
    """The lowest and the highest value of a range, in `unit`; None where there is none or it is wrong.

    Of changes where it bounds a difference of values, or a rate.
    """
    if text is None:
        return None
    amount = units.difference if of_changes else units.quantity
    low_text, high_text = (part.strip() for part in text.split(".."))
    try:
        # `-20 .. 60 °C`: the unit after the higher value holds for the lower one as well
        trailing = units.QUANTITY.fullmatch(high_text)
        shared = trailing.groups()[-1] if trailing else ""
        low = amount(f"{low_text} {shared}" if is_number(low_text) else low_text, unit)
        high = amount(high_text, unit)
    except Wrong as wrong:
        findings.take(wrong, file, *steps)
        return None
    if low >= high:
        findings.wrong(file.place(*steps), f"the range `{text}` is empty", "Write the lower value first")
        return None
    return low, high
