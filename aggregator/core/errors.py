"""What can be wrong, and whose cure it is.

AggregatorError          never raised itself
    ConfigurationError   a file a person edits is wrong: every problem, each with its place
    DecodeError          an uplink cannot be read: the uplink is set aside, the service goes on
    CannotSubstitute     a value entered by hand is refused: the message says why
    CannotLink           a node is not put on a meter, or taken off it: the message says why
    ModbusError          a request is answered with an exception code (MODBUS V1.1b3 section 7)
"""

from __future__ import annotations

import errno
from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum, StrEnum


class AggregatorError(Exception):
    """Base of everything this program raises on purpose."""


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """Where something was declared: file, line and column, both counted from 1."""

    file: str
    line: int = 1
    column: int = 1

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"

    @property
    def short(self) -> str:
        """The place as it is named inside a sentence about another place: the file's own name and the line."""
        return f"{self.file.rpartition('/')[2]}:{self.line}"


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing wrong in a file: where, what, and what to do about it."""

    place: Place
    what: str
    cure: str

    def __str__(self) -> str:
        return f"{self.place}: {self.what}. {self.cure}."


class ConfigurationError(AggregatorError):
    """The site's files do not make a site. Carries every problem found, in file order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(set(problems)))
        super().__init__("\n".join(str(problem) for problem in self.problems))


class Refusal(StrEnum):
    """Why an uplink was not taken. The values are the words used in logs and counts."""

    NO_ENVELOPE = "no envelope for topic"
    RETAINED = "retained message"
    BAD_JSON = "bad JSON"
    MISSING = "missing key"
    WRONG_TYPE = "wrong type"
    UNKNOWN_NODE = "unknown node"
    BAD_PAYLOAD = "bad payload"
    METER_EXCEPTION = "meter answered with an exception"
    NO_DATA = "no data"


class DecodeError(AggregatorError):
    """An uplink that cannot be read.

    What is known of its frame is set as soon as it is: `node`, for the meter's status, `counter`, when it was `heard`
    by the network's clock (UTC s), and `late` where newer ones of that node came before it.
    """

    def __init__(self, refusal: Refusal, detail: str) -> None:
        self.refusal = refusal
        self.detail = detail
        self.node: str | None = None
        self.counter: int | None = None
        self.heard: float | None = None
        self.late = False
        super().__init__(f"{refusal}: {detail}")


class CannotSubstitute(AggregatorError):
    """A value entered by hand can't stand in for a reading; the message is a sentence for whoever entered it."""


class CannotLink(AggregatorError):
    """Which node sits on which meter stays as it is; the message is a sentence for the technician at the meter."""


class ExceptionCode(IntEnum):
    """Modbus exception codes in use here (MODBUS V1.1b3 section 7)."""

    ILLEGAL_FUNCTION = 0x01
    ILLEGAL_DATA_ADDRESS = 0x02
    ILLEGAL_DATA_VALUE = 0x03
    SERVER_DEVICE_FAILURE = 0x04
    GATEWAY_TARGET_FAILED_TO_RESPOND = 0x0B


class ModbusError(AggregatorError):
    """A request that is answered with an exception. `why` is for the record: no frame has room for it."""

    def __init__(self, code: ExceptionCode, why: str = "") -> None:
        self.code = code
        self.why = why
        super().__init__(code.name.replace("_", " ").lower())


def why_no_port(what: str, error: OSError, setting: str, unprivileged: int) -> str:
    """Why an address cannot be listened on, and the cure, which is in a `setting` of the files."""
    match error.errno:
        case errno.EADDRINUSE:
            return f"{what}: another program listens there. Stop it, or choose another port ({setting})."
        case errno.EACCES:
            cure = f"deploy/README.md shows how the service gets it; or use {unprivileged}."
            return f"{what}: ports below 1024 need a right. {cure}"
        case errno.EADDRNOTAVAIL:
            return f"{what}: this machine has no such address. Write 0.0.0.0 for all, or one that `ip address` lists."
        case _:
            return f"{what}: {error.strerror or error}. Check {setting}."
