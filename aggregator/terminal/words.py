"""Values, ages and moments as people read them."""

from __future__ import annotations

from datetime import UTC, datetime

from aggregator.core.reading import Value, span_words


def value_text(value: Value | None, decimals: int) -> str:
    """A value as people read it; a dash where there is none."""
    if value is None:
        return "-"
    return value if isinstance(value, str) else f"{value:.{decimals}f}"


def age_text(seconds: float | None) -> str:
    """An age as people read it: `40 s`, `12 min`, `3 h 05 min`."""
    return "never" if seconds is None else span_words(seconds)


def moment_text(utc: float) -> str:
    """A moment (UTC s) as people read it: `2027-01-15 08:00 UTC`."""
    return datetime.fromtimestamp(utc, UTC).strftime("%Y-%m-%d %H:%M UTC")


def second_text(utc: float) -> str:
    """A moment to the second, as a network trace has it."""
    return datetime.fromtimestamp(utc, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
