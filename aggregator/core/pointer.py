"""JSON Pointers (RFC 6901), parsed by the library once and followed here at every uplink.

The library's own look-up takes ten times as long, and an uplink follows a dozen pointers.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from jsonpointer import JsonPointer, JsonPointerException

ARRAY_INDEX = re.compile(r"0|[1-9][0-9]*")  # RFC 6901 section 4: no leading zeros; "-" is past the end, so no value


@dataclass(frozen=True, slots=True)
class Pointer:
    """A place in a JSON document, written as in RFC 6901: `/frame/counter`, `/radio/0/rssi`."""

    text: str
    _parts: tuple[str, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Raises ValueError where the text is no pointer."""
        try:
            object.__setattr__(self, "_parts", tuple(JsonPointer(self.text).parts))
        except JsonPointerException as error:
            raise ValueError(str(error)) from error

    def __str__(self) -> str:
        return self.text

    def find(self, document: object) -> object:
        """What stands at this place, None where nothing does (a JSON null counts as nothing)."""
        for part in self._parts:
            if type(document) is dict:
                document = document.get(part)
            elif type(document) is list and ARRAY_INDEX.fullmatch(part) and int(part) < len(document):
                document = document[int(part)]
            else:
                return None
        return document
