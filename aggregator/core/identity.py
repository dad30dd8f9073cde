"""What a device says of itself, to plant software that asks who it is: function 17, and function 43 with MEI type 14.

    17 answer    | 11 | byte count | server id | run indicator FF | text |

    43 request   | 2B | 0E | access | object |
       answer    | 2B | 0E | access | conformity | more follows | next object | objects n | n times: id, length, value |

Access 1, 2 and 3 is the stream of all basic, regular and extended objects from one of them on, in as many answers as it
takes; 4 is one object alone. Source: MODBUS Application Protocol Specification V1.1b3 sections 6.13 and 6.21.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from aggregator import __version__
from aggregator.core.errors import ExceptionCode, ModbusError

LONGEST_PDU: Final = 253  # [4.1]
REPORT_SERVER_ID: Final = 17
ENCAPSULATED: Final = 43
READ_DEVICE_IDENTIFICATION: Final = 14  # the MEI type

SERVER_ID: Final = 0x4D
RUNNING: Final = 0xFF  # the run indicator [6.13]; a service that answers runs
BASIC, REGULAR, EXTENDED, INDIVIDUAL = 1, 2, 3, 4  # the ReadDeviceId codes
LAST: Final = {BASIC: 0x02, REGULAR: 0x06, EXTENDED: 0xFF}  # the last object of each category
ALSO_INDIVIDUAL: Final = 0x80  # in the conformity level: objects can be asked for one by one
MORE_FOLLOWS: Final = 0xFF
HEAD: Final = 7  # bytes of an answer before its objects
LONGEST_OBJECT: Final = LONGEST_PDU - HEAD - 2
LONGEST_REPORT: Final = LONGEST_PDU - 4

VENDOR, PRODUCT_CODE, REVISION = 0x00, 0x01, 0x02  # basic, mandatory
PRODUCT_NAME, MODEL_NAME, APPLICATION_NAME = 0x04, 0x05, 0x06  # regular, each optional; 03 is a URL and there is none
SITE, MAP_FINGERPRINT, MAP_REVISION, CAUTION = 0x80, 0x81, 0x82, 0x83  # extended, this device's own

PRODUCT: Final = "meter-aggregator"


@dataclass(frozen=True, slots=True)
class Identity:
    """The objects by their id, each at most LONGEST_OBJECT bytes, and the text that goes with the server id."""

    objects: Mapping[int, bytes]
    text: bytes

    def report(self) -> bytes:
        """The answer to function 17 [6.13]."""
        return bytes((REPORT_SERVER_ID, 2 + len(self.text), SERVER_ID, RUNNING)) + self.text

    def read(self, access: int, first: int) -> bytes:
        """The answer to function 43 with MEI type 14 [6.21]. Raises ModbusError: 03 access unknown, 02 no such object.

        A stream from an object that is not there begins with the first of all, as the section has it.
        """
        if access == INDIVIDUAL:
            if first not in self.objects:
                raise ModbusError(ExceptionCode.ILLEGAL_DATA_ADDRESS)
            return self._answer(access, [first])
        if access not in LAST:
            raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
        asked = [number for number in sorted(self.objects) if number <= LAST[access]]
        return self._answer(access, asked[asked.index(first) :] if first in asked else asked)

    def _answer(self, access: int, asked: list[int]) -> bytes:
        """As many of the objects as one PDU holds, and which comes next."""
        listed, count = b"", 0
        for number in asked:
            value = self.objects[number]
            if HEAD + len(listed) + 2 + len(value) > LONGEST_PDU:
                break
            listed += bytes((number, len(value))) + value
            count += 1
        following = (MORE_FOLLOWS, asked[count]) if count < len(asked) else (0, 0)
        head = (ENCAPSULATED, READ_DEVICE_IDENTIFICATION, access, self._conformity(), *following, count)
        return bytes(head) + listed

    def _conformity(self) -> int:
        last = max(self.objects)
        return ALSO_INDIVIDUAL | next(access for access in (BASIC, REGULAR, EXTENDED) if last <= LAST[access])


def identity_of(site: str = "", unit_id: int = 0, fingerprint: int = 0, revision: str = "") -> Identity:
    """What a device says: this program and its version, and of the site what is known; what is empty is left out.

    The specification's own objects are ASCII strings; the site's name stands in UTF-8 in an object of its own.
    """
    texts = {
        VENDOR: _ascii(PRODUCT),
        PRODUCT_CODE: _ascii(PRODUCT),
        REVISION: _ascii(__version__),
        PRODUCT_NAME: _ascii("Edge aggregator for gas metering"),
        MODEL_NAME: _ascii(f"Virtual register device, unit {unit_id}" if unit_id else ""),
        APPLICATION_NAME: _ascii(site),
        SITE: site.encode(),
        MAP_FINGERPRINT: _ascii(f"{fingerprint:08x}" if site else ""),
        MAP_REVISION: revision.encode(),
        CAUTION: _ascii("Monitoring, not a safety function"),
    }
    text = _joined((PRODUCT, __version__, site))
    return Identity({number: _cut(value, LONGEST_OBJECT) for number, value in texts.items() if value}, text)


def _joined(parts: Iterable[str]) -> bytes:
    return _ascii(" ".join(part for part in parts if part))[:LONGEST_REPORT]


def _ascii(text: str) -> bytes:
    """A text without its accents; what else is not ASCII becomes a question mark."""
    plain = (sign for sign in unicodedata.normalize("NFKD", text) if not unicodedata.combining(sign))
    return "".join(plain).encode("ascii", "replace")


def _cut(value: bytes, most: int) -> bytes:
    """The first `most` bytes, without half a sign of UTF-8 at the end."""
    return value if len(value) <= most else value[:most].decode("utf-8", "ignore").encode()
