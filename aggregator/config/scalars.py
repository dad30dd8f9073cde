"""Text from a file turned into the value its field needs, or a sentence that says what was wrong and what to write.

Each converter takes what stands in the file, always text, and raises `Wrong`.
"""

from __future__ import annotations

import ipaddress
import re

from aggregator.core.access import Network
from aggregator.core.dating import moment_of
from aggregator.core.uplink import normal_node

WHOLE = re.compile(r"[+-]?(0|[1-9][0-9]*)|0x[0-9a-fA-F]+")
NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
COMMA = re.compile(r"([+-]?[0-9]+),([0-9]+)(?![0-9,])")
THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
DURATION = re.compile(r"([0-9]+(?:\.[0-9]+)?)\s*([a-z]+)")
DAY_TIME = re.compile(r"(?:day ([1-9][0-9]{0,2}) )?([01]?[0-9]|2[0-3]):([0-5][0-9])(?::([0-5][0-9]))?")
SECONDS = {"ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
SIZE = re.compile(r"([0-9]+(?:\.[0-9]+)?)\s*(MB|GB|TB)")
BYTES = {"MB": 10**6, "GB": 10**9, "TB": 10**12}
SMALLEST_SIZE, LARGEST_SIZE = 10 * BYTES["MB"], 100 * BYTES["TB"]
YES = ("yes", "true", "on")
NO = ("no", "false", "off")
LARGEST = 1e30  # beyond any quantity on a site; what comes of arithmetic with it stays finite
MOST_DIGITS = 24  # more than any register holds; the interpreter itself refuses to convert a few thousand
LONGEST_TIME = 36525 * 86400.0
LISTENS = re.compile(r"(?P<host>\[[0-9a-fA-F:.]+\]|[^\s:]*):(?P<port>[0-9]+)")

ANY = "any"
EVERY_NETWORK: tuple[Network, ...] = (ipaddress.ip_network("0.0.0.0/0"), ipaddress.ip_network("::/0"))


class Wrong(ValueError):
    """A value that cannot stand where it stands: what is wrong, and what to do."""

    def __init__(self, what: str, cure: str) -> None:
        self.what = what
        self.cure = cure
        super().__init__(what)


def kind_of(value: object) -> str:
    """What stands in the file, in words."""
    if isinstance(value, str):
        return "one value" if value else "nothing"
    return "a list" if isinstance(value, list) else "a mapping"


def text(value: object) -> str:
    """The text of a scalar that must not be empty."""
    if not isinstance(value, str):
        raise Wrong(f"{kind_of(value)} stands where one value is due", "Write a single value")
    if not value.strip():
        raise Wrong("the value is empty", "Write a value, or leave the key out")
    return value.strip()


def no_comma(given: str) -> None:
    """Refuse a number that begins a text and is written with a comma; raises Wrong with the number as it is due."""
    found = COMMA.match(given)
    if found:
        number = found[0].replace(",", ".")
        thousands = f", or {found[1]}{found[2]} for thousands" if THOUSANDS.fullmatch(found[0]) else ""
        raise Wrong(f"`{given}` has a comma in its number", f"Write {number}{thousands}")


def whole(value: object) -> int:
    """A whole number, decimal or 0x hexadecimal. Leading zeros are refused: YAML tools read them as octal.

    >>> whole("40001"), whole("0xFF"), whole("-3")
    (40001, 255, -3)
    """
    given = text(value)
    if not WHOLE.fullmatch(given):
        if re.fullmatch(r"[+-]?0[0-9]+", given):
            raise Wrong(
                f"`{given}` begins with a zero", f"Write {'-' * given.startswith('-')}{given.lstrip('+-0') or '0'}"
            )
        raise Wrong(f"`{given}` is no whole number", "Write digits only, or 0x and hexadecimal digits")
    if len(given) > MOST_DIGITS:
        raise Wrong("the number is too long", f"Write {MOST_DIGITS} digits at most")
    return int(given, 0)


def number(value: object) -> float:
    """A finite number with a decimal point.

    >>> number("0.01"), number("1e3")
    (0.01, 1000.0)
    """
    given = text(value)
    if not NUMBER.fullmatch(given):
        no_comma(given)
        raise Wrong(f"`{given}` is no number", "Write a number like 0.1 or 25")
    result = float(given)
    if abs(result) > LARGEST:
        raise Wrong("the number is too large", f"Write one below {LARGEST:g}")
    return result


def exact(value: object) -> int | float:
    """A number, whole where it is written so: a 64-bit register content loses digits as a float.

    >>> exact("18446744073709551615"), exact("0x8000"), exact("-0.5")
    (18446744073709551615, 32768, -0.5)
    """
    return whole(value) if WHOLE.fullmatch(text(value)) else number(value)


def raw_number(value: object) -> float:
    """A number as it stands in a payload: whole, 0x hexadecimal, or with a decimal point.

    >>> raw_number("0x7FFF"), raw_number("-1"), raw_number("-99.9")
    (32767, -1, -99.9)
    """
    given = text(value)
    return whole(given) if WHOLE.fullmatch(given) else number(given)


def yes_or_no(value: object) -> bool:
    """A yes or a no in any of YAML's spellings."""
    given = text(value).lower()
    if given not in YES + NO:
        raise Wrong(f"`{given}` is neither yes nor no", "Write yes or no")
    return given in YES


def duration(value: object) -> float:
    """A length of time in seconds, written with its unit: `30 s`, `15 min`, `1 h 30 min`, `7 d`.

    >>> duration("15 min"), duration("1 h 30 min")
    (900.0, 5400.0)
    """
    given = text(value)
    no_comma(given)
    parts = DURATION.findall(given)
    rest = DURATION.sub("", given).strip()
    if not parts or rest or any(unit not in SECONDS for _, unit in parts):
        raise Wrong(f"`{given}` is no length of time", "Write a number and a unit: 30 s, 15 min, 2 h or 7 d")
    seconds = sum(float(amount) * SECONDS[unit] for amount, unit in parts)
    if not 0 < seconds <= LONGEST_TIME:
        raise Wrong(f"`{given}` is {'too long' if seconds else 'no time at all'}", "Write from 1 ms to 36525 d")
    return seconds


def time_of_day(text: str) -> float | None:
    """Seconds since the first midnight: `10:05`, `10:05:30`, on a later day `day 2 06:00`; None for anything else.

    >>> time_of_day("10:05"), time_of_day("day 2 06:00"), time_of_day("25:00")
    (36300.0, 108000.0, None)
    """
    match = DAY_TIME.fullmatch(text)
    if not match:
        return None
    day, hours, minutes, seconds = (int(part) for part in match.groups(default="0"))
    return max(0, day - 1) * 86400.0 + hours * 3600.0 + minutes * 60.0 + seconds


def moment(value: object) -> float:
    """UTC seconds of a date or a time after RFC 3339; without an offset it is UTC.

    >>> moment("2027-01-15"), moment("2027-01-15T08:00:00Z")
    (1799971200.0, 1800000000.0)
    """
    given = text(value)
    try:
        return moment_of(given)
    except ValueError:
        raise Wrong(f"`{given}` is no date or time", "Write it like 2026-01-01 or 2026-01-01T08:00:00Z") from None


def size(value: object) -> int:
    """An amount of data in bytes, written with its unit: `500 MB`, `2 GB`.

    >>> size("500 MB"), size("1.5 GB")
    (500000000, 1500000000)
    """
    given = text(value)
    match = SIZE.fullmatch(given)
    if not match:
        raise Wrong(f"`{given}` is no amount of data", "Write a number and a unit: 500 MB or 2 GB")
    amount = round(float(match[1]) * BYTES[match[2]])
    if not SMALLEST_SIZE <= amount <= LARGEST_SIZE:
        raise Wrong(f"`{given}` is too {'small' if amount < SMALLEST_SIZE else 'large'}", "Write from 10 MB to 100 TB")
    return amount


def node(value: object) -> str:
    """A DevEUI as 16 lower-case digits; colons, dashes, dots and blanks between them do not matter."""
    given = text(value)
    result = normal_node(given)
    if result is None:
        digits = len(re.sub(r"[:\-. ]", "", given))
        what = f"`{given}` is no DevEUI: it has {digits} characters" if digits != 16 else f"`{given}` is no DevEUI"
        raise Wrong(what, "Write its 16 hexadecimal digits, as on the node's label")
    return result


def listens(value: object) -> tuple[str, int]:
    """A host and port to listen on: `0.0.0.0:502`, `127.0.0.1:5020`, `[::1]:502`."""
    given = text(value)
    match = LISTENS.fullmatch(given)
    if not match or len(match["port"]) > 5 or int(match["port"]) > 65535:
        raise Wrong(f"`{given}` is no address and port", "Write them as 0.0.0.0:502 (every network) or 127.0.0.1:5020")
    host = match["host"].strip("[]") or "0.0.0.0"  # noqa: S104 - every network, as written: `:502`
    if match["host"].startswith("[") or re.fullmatch(r"[0-9.]+", host):
        try:
            ipaddress.ip_address(host)
        except ValueError:
            raise Wrong(f"`{host}` is no address", "Write an address of this machine, or 0.0.0.0 for all") from None
    return host, int(match["port"])


def networks(value: object) -> tuple[Network, ...]:
    """The networks of addresses in CIDR form (RFC 4632, RFC 4291): `10.1.2.0/24`, one address, or `any` for all.

    >>> networks("10.1.2.3")
    (IPv4Network('10.1.2.3/32'),)
    """
    given = text(value)
    if given == ANY:
        return EVERY_NETWORK
    try:
        return (ipaddress.ip_network(given),)
    except ValueError:
        pass
    try:
        meant = ipaddress.ip_network(given, strict=False)
    except ValueError:
        raise Wrong(
            f"`{given}` is no network", f"Write one as 10.1.2.0/24, one address as 10.1.2.3, or {ANY} for all"
        ) from None
    raise Wrong(f"`{given}` is one address with the size of a network", f"Write {meant}, or the address alone")


def device_file(value: object) -> str:
    """The absolute path of a port: `/dev/ttyUSB0`."""
    given = text(value)
    if not given.startswith("/") or given.endswith("/") or any(character.isspace() for character in given):
        raise Wrong(f"`{given}` is no port", "Write its path, best one that `ls /dev/serial/by-id/*` lists")
    return given


def bits(value: object) -> tuple[int, int]:
    """A run of bits, lowest first: `3` or `0-3`."""
    given = text(value)
    match = re.fullmatch(r"([0-9]{1,2})(?:\s*-\s*([0-9]{1,2}))?", given)
    if not match or (match[2] and int(match[2]) < int(match[1])) or int(match[2] or match[1]) > 63:
        raise Wrong(f"`{given}` is no run of bits", "Write one bit (3) or the lowest and the highest (0-3), 63 at most")
    return int(match[1]), int(match[2] or match[1])


def is_number(text: str) -> bool:
    """Whether a text is a number as `number` takes it."""
    try:
        number(text)
    except Wrong:
        return False
    return True
