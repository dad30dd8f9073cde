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
    _steps: tuple[tuple[str, int | None], ...] = field(init=False, repr=False, compare=False)  # as a key, as an index

    def __post_init__(self) -> None:
        """Raises ValueError where the text is no pointer."""
        try:
            parts = JsonPointer(self.text).parts
        except JsonPointerException as error:
            raise ValueError(str(error)) from error
        steps = tuple((part, int(part) if ARRAY_INDEX.fullmatch(part) else None) for part in parts)
        object.__setattr__(self, "_steps", steps)

    def __str__(self) -> str:
        return self.text

    def find(self, document: object) -> object:
        """What stands at this place, None where nothing does (a JSON null counts as nothing)."""
        for key, index in self._steps:
            if type(document) is dict:
                document = document.get(key)
            elif type(document) is list and index is not None and index < len(document):
                document = document[index]
            else:
                return None
        return document


def pointer_to(key: str) -> Pointer:
    """The pointer to a key of the outermost object, whatever stands in the key (RFC 6901 section 3).

    >>> pointer_to("a/b~c").text
    '/a~1b~0c'
    """
    return Pointer("/" + key.replace("~", "~0").replace("/", "~1"))
