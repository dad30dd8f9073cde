"""What the interface answers, described: a module a noun, a model an answer.

The models describe and do not build: commands answer with plain data, which is sent as it is, and tests hold every
answer against its model. Unless a field says otherwise, times are UTC seconds, lengths of time seconds, and what is
not known is null.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict

__all__ = ["Answer", "Number", "Row", "answered"]

Number = int | float
Row = list[int | float | str | None]
"""A row of a table, by its columns: some tools that read descriptions know no lists of a type an item."""


class Answer(BaseModel):
    """An answer, or a part of one: no key that is not described."""

    model_config = ConfigDict(extra="forbid")


def answered(model: type[Answer]) -> dict[int | str, dict[str, Any]]:
    """What a route says of its answer."""
    return {200: {"model": model}}
