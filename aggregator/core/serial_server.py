"""The devices on one serial line: each request that is heard is carried out, counted and answered, or it is not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from aggregator.core import rtu
from aggregator.core.access import Party, Right
from aggregator.core.account import Account, Onlooker
from aggregator.core.diagnostics import SERIAL_ONLY, Diagnostics
from aggregator.core.functions import WRITES, Tables, respond
from aggregator.core.reading import Now
from aggregator.core.serial_line import Heard, Kind, SerialLine, Wire


class SerialServer:
    """One line and those of our devices that are on it, by unit id: 1 to 247. All others are somebody else.

    `who` speaks on the line, with what they may do, and `account` is kept of what they ask; `turnaround` is how long an
    answer waits at least, in seconds.
    """

    def __init__(
        self, units: Mapping[int, Tables], who: Party, account: Account, wire: Wire, turnaround: float = 0.0
    ) -> None:
        self.line = SerialLine(frozenset(units), wire, turnaround)
        silenced = Right.COMMAND in who.may
        self.diagnostics = {unit: Diagnostics(can_be_silenced=silenced) for unit in units}
        self.requests = 0  # carried out, those to everybody included
        self.errors = 0  # what was heard that is no frame
        self.wrote = False  # whether a request asked to write; whoever acts on it puts it back
        self._units = units
        self._who = replace(who, witness=Onlooker(account, units))
        self._account = account
        self._was_open = False

    def show(self, units: Mapping[int, Tables]) -> bool:
        """Put other tables behind the same unit ids; False where the ids are others: the line is then opened anew."""
        if units.keys() != self._units.keys():
            return False
        self._units = units
        return True

    def opened(self, at: float) -> None:
        """The port is open, for the first time or again."""
        self.line.opened(at)
        for each in self.diagnostics.values():
            if self._was_open:
                each.note_reopened()
        self._was_open = True

    def overran(self, characters: int) -> None:
        """The port lost characters."""
        for each in self.diagnostics.values():
            each.note_overruns(characters)

    def receive(self, data: bytes, at: float, now: Now) -> None:
        """Take bytes that have come; `at` is the monotonic instant. What they ask is answered after silence."""
        for heard in self.line.receive(data, at):
            self._take(heard, now)

    def silence(self, at: float, now: Now) -> bytes:
        """The line has been silent until `line.due`: the frame to send, empty where nobody waits for one."""
        answer = b""
        for heard in self.line.silence(at):
            answer = self._take(heard, now)
            if answer:
                self.line.sent(answer, heard.frame, at)
        return answer

    def _take(self, heard: Heard, now: Now) -> bytes:
        if heard.kind is Kind.NOISE:
            self.errors += 1
            for each in self.diagnostics.values():
                each.note_error()
            return b""
        for each in self.diagnostics.values():
            each.note_message()
        unit, pdu = heard.frame[0], heard.frame[1 : -rtu.CRC_SIZE]
        if heard.kind is Kind.OTHERS:
            return b""
        if unit == rtu.EVERYBODY:
            for mine in self._units:
                self._serve(mine, pdu, now, broadcast=True)
            return b""
        if heard.kind is Kind.OVERTAKEN:
            self.diagnostics[unit].note_overtaken()
            return b""
        answer = self._serve(unit, pdu, now, broadcast=False)
        return rtu.sealed(bytes((unit,)) + answer) if answer else b""

    def _serve(self, unit: int, pdu: bytes, now: Now, *, broadcast: bool) -> bytes:
        def carry_out(pdu: bytes) -> bytes:
            self.requests += 1
            self.wrote = self.wrote or pdu[0] in WRITES
            answer = respond(self._units[unit], pdu, self._who, now)
            self._account.note(unit, pdu, answer, self._who.name, now)
            return answer

        answer = self.diagnostics[unit].serve(pdu, carry_out, broadcast=broadcast)
        if answer and pdu[0] in SERIAL_ONLY:
            self._account.note(unit, pdu, answer, self._who.name, now)
        return answer
