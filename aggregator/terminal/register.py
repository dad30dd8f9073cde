"""What a running service says that one register holds, as people read it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any


def held_lines(told: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What a running service says that a register holds."""
    if "exception" in told:
        yield "holds", f"a read gets exception {told['exception']:02X}"
    elif "raw" in told:
        value = "no value" if told["value"] is None else _plain(told["value"])
        yield "holds", f"{value} ({told['raw']})"
    if "quality" in told:
        age = "" if told["age"] is None else f", observed {told['age']:.0f} s ago"
        yield "quality", f"{told['quality']}{age}"


def _plain(value: float | str | bool) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    return value if isinstance(value, str) else f"{value:.10g}" if isinstance(value, float) else str(value)


def labelled(lines: Sequence[tuple[str, str]]) -> Iterator[str]:
    """What is said and of what, in two columns."""
    widest = max(len(label) for label, _ in lines)
    for label, text in lines:
        yield f"{label:{widest}}  {text}"
