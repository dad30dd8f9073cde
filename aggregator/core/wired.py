"""What a meter itself last answered on its serial line, as far as its node has handed it on.

It is kept for the meters that a stand-in shows (core/stand_in.py), and for no others. A value that came by another road
than the meter's own registers, decoded by the network server or laid out by the node, takes their place.
"""

from __future__ import annotations

from aggregator.core.errors import DecodeError
from aggregator.core.profile import Profile, Response, Window
from aggregator.core.reading import Fault
from aggregator.core.records import Pairs
from aggregator.core.uplink import Uplink


class Wired:
    """The registers of the newest answers, and the faults that stand in place of values.

    What an uplink carries is only noted. It is taken apart when a stand-in is read: meters report far more often.
    """

    __slots__ = ("_answered", "_came", "_count", "_pending", "_profile", "faults", "runs")

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        self.runs: dict[Window, bytes] = {}  # the registers that each read was answered with
        self.faults: dict[int, str] = {}  # by field, what the meter said in place of a value
        self._count = 0  # of the uplinks taken
        self._came: dict[int, int] = {}  # by field, the uplink that brought it last
        self._answered: dict[int, int] = {}  # by field, the uplink that brought it last as the meter answered it
        self._pending: dict[int | None, tuple[int, bytes]] = {}  # by port, the newest answers not yet taken apart

    def take(self, uplink: Uplink, pairs: Pairs) -> None:
        """Note what an uplink that is shown has carried."""
        self._count += 1
        for index, value in pairs:
            self._came[index] = self._count
            if isinstance(value, Fault):
                self.faults[index] = value.words
            elif index in self.faults:
                del self.faults[index]
        if uplink.payload:
            self._pending[uplink.port] = (self._count, uplink.payload)

    def catch_up(self) -> None:
        """Take apart what has come since the last call."""
        for port, (count, payload) in sorted(self._pending.items(), key=lambda item: item[1][0]):
            self._take_apart(port, count, payload)
        self._pending.clear()

    def _take_apart(self, port: int | None, count: int, payload: bytes) -> None:
        response = self._profile.payload_of(port)
        if not isinstance(response, Response):
            return
        try:
            runs = list(response.runs(payload))
        except DecodeError:  # the decoded fields were taken, and the bytes beside them are nothing that can be told
            return
        for window, data in runs:
            self.runs[window] = data
            for item in response.within(window, data):
                self._answered[item.index] = count

    def is_superseded(self, index: int) -> bool:
        """Whether a field has come by another road since the meter answered it."""
        return self._came.get(index, 0) > self._answered.get(index, 0)
