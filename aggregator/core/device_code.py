"""The code on a node's label: the QR code of LoRaWAN devices, or its DevEUI typed in.

    LW:D0:1122334455667788:AABBCCDDEEFF0011:AABB1122:OAABBCCDDEEFF:SYYWWNNNNNN:PFOOBAR:CAF2C
    |  |  JoinEUI          DevEUI           |        |             |           |       checksum
    |  schema                               profile  owner token   serial      the maker's own

LoRa Alliance TR005, LoRaWAN Device Identification QR Codes (`from memory`): the first five parts must be there, the
others may, each told by its first letter. The checksum is CRC-16/MODBUS over all before its colon. A scanner's capitals
and blanks do not matter; the checksum is then that of the text as it was printed, or of the same in capitals.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from aggregator.core.crc import crc16
from aggregator.core.errors import CannotLink
from aggregator.core.uplink import normal_node

MOST = 400  # characters of a code; a label has room for far fewer
SCHEMA = "D0"
MANDATORY = ("the mark LW", "the schema", "JoinEUI", "DevEUI", "profile id")
OPTIONAL = {"O": "owner token", "S": "serial number", "P": "the maker's own part", "C": "checksum"}
EUI = re.compile(r"[0-9A-F]{16}")
PROFILE = re.compile(r"[0-9A-F]{8}")
CHECKSUM = re.compile(r"[0-9A-F]{4}")


@dataclass(frozen=True, slots=True)
class DeviceCode:
    """What a label says. `node` and `join` are EUIs in 16 lower-case digits; all but `node` is None where nobody said.

    `profile` is the maker's id and that of its profile, 8 upper-case digits.
    """

    node: str
    join: str | None = None
    profile: str | None = None
    owner: str | None = None
    serial: str | None = None
    proprietary: str | None = None


def read_code(text: str) -> DeviceCode:
    """What a scanned or typed code says of a node. Raises CannotLink with what to do about it."""
    given = re.sub(r"\s+", "", text)
    if not given:
        raise CannotLink("nothing was given. Scan the QR code on the node, or type the DevEUI from its label.")
    if len(given) > MOST:
        raise CannotLink(f"{len(given)} characters are more than a node's QR code has. Scan the code on the node.")
    if given[:3].upper() == "LW:":
        return _read_parts(given)
    node = normal_node(given)
    if node is None:
        raise CannotLink(
            f"`{given[:40]}` is no DevEUI, which has 16 hexadecimal digits (0-9, A-F), and no LoRaWAN QR code, which "
            "begins with LW:D0:. Type the DevEUI from the node's label."
        )
    return DeviceCode(node)


def _read_parts(given: str) -> DeviceCode:
    parts = given.split(":")
    if len(parts) < len(MANDATORY):
        missing = ", ".join(MANDATORY[len(parts) :])
        raise CannotLink(f"the QR code ends too early, without {missing}. Scan it once more, from nearer by.")
    _, schema, join, node, profile, *rest = (each.upper() for each in parts)
    if schema != SCHEMA:
        raise CannotLink(f"the QR code is of schema {schema[:8]}, and only {SCHEMA} is known. Type the DevEUI instead.")
    _must_be(EUI, "JoinEUI", join, 16)
    _must_be(EUI, "DevEUI", node, 16)
    _must_be(PROFILE, "profile id", profile, 8)
    found: dict[str, str] = {}
    for at, part in enumerate(rest, len(MANDATORY)):
        letter = part[:1]
        if letter not in OPTIONAL:
            raise CannotLink(
                f"the part `{parts[at][:24]}` of the QR code begins with none of {', '.join(OPTIONAL)}. "
                "Scan it once more, or type the DevEUI."
            )
        if letter in found:
            raise CannotLink(f"the QR code has two of {OPTIONAL[letter]}. Scan it once more, or type the DevEUI.")
        found[letter] = parts[at][1:]
    if "C" in found:
        _check(parts, found["C"].upper())
    return DeviceCode(node.lower(), join.lower(), profile, found.get("O"), found.get("S"), found.get("P"))


def _must_be(pattern: re.Pattern[str], what: str, text: str, digits: int) -> None:
    if not pattern.fullmatch(text):
        raise CannotLink(
            f"the {what} in the QR code is `{text[:24]}`, not {digits} hexadecimal digits. Scan it once more, or type "
            "the DevEUI."
        )


def _check(parts: list[str], checksum: str) -> None:
    """Raise CannotLink where a code's checksum does not fit, or stands before its end."""
    if parts[-1][:1].upper() != "C" or not CHECKSUM.fullmatch(checksum):
        raise CannotLink("the QR code's checksum is no four hexadecimal digits at its end. Scan it once more.")
    before = ":".join(parts[:-1])
    if int(checksum, 16) not in (crc16(_bytes(before)), crc16(_bytes(before.upper()))):
        raise CannotLink(
            "the QR code's checksum does not fit: a character was read or typed wrong. Scan it once more, or type the "
            "DevEUI and compare it digit by digit."
        )


def _bytes(text: str) -> bytes:
    return text.encode(errors="replace")
