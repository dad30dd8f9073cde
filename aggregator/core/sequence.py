"""Which uplinks are new: a node's frame counter tells first-heard from doubled, late and lost.

A LoRaWAN node counts its uplinks from 0 after each join (TS001-1.0.4 sections 4.3.1.5 and 6.2, `from memory`); every
radio that hears one hands on the same count. What was heard last is remembered in order, and a frame is judged by where
it belongs there:

    same session    by counter: a lower one was overtaken, or is sent again by somebody else; it is never news
    new session     the network gave the node another address: it has joined anew, and its counter begins anew
    no session      by time: a lower counter heard clearly later is a node that began anew, else it comes late

The order is that of the frames, not of their arrival: however they are shuffled on the way, the newest is the same one,
and so is what is missing between them.
"""

from __future__ import annotations

import math
from enum import Enum
from typing import NamedTuple

from aggregator.core.loss import Loss

REMEMBERED = 64  # frames per node at least; doubles come within seconds, and late frames within a few dozen
SAME_FRAME = 60.0  # s within which radios hand on one frame; the same counter much later is another frame
OVERTAKEN = 8  # frames that can overtake each other on their way here
SESSIONS = 16  # of a node that are remembered: of a day, even of one that joins every hour or two
ON_AIR = 1 << 16  # counts that go over the air before the sixteen bits there wrap
AT_ONCE, FRAMES_A_REPORT = 64, 16  # the most a node sends: so many whenever it likes, and so many a reporting interval

_new = tuple.__new__  # as in judge: one is made at every uplink


class Arrival(Enum):
    """What a counter says about its uplink."""

    NEW = "new"
    DUPLICATE = "duplicate"
    LATE = "late"
    RESTARTED = "restarted"


class Frame(NamedTuple):
    """One frame that was heard: its counter, when (UTC s), and in which session where the network says."""

    counter: int
    heard: float
    session: str | None


class Sequence:
    """One node's frames: the newest, the last few heard, and how many never came. `interval` (s) is its reporting."""

    __slots__ = ("_frames", "_trimmed", "_unread", "heard", "interval", "last", "loss", "lost", "session", "sessions")

    def __init__(self, interval: float = 900.0) -> None:
        self.last: int | None = None  # the newest counter, None before the first uplink that has one
        self.heard = -math.inf  # when that was heard, UTC s
        self.session: str | None = None  # the one that is running, where the network says
        self.sessions: list[tuple[str, float]] = []  # the last few and since when (UTC s), the running one at the end
        self.lost = 0  # counters between the first and the newest that never came
        self.loss = Loss()
        self.interval = interval
        self._frames: list[Frame] = []
        self._trimmed = False  # whether frames older than the first of these were heard
        self._unread: dict[Frame, None] = {}  # came and could not be read: neither lost nor known as a double

    def place(
        self,
        counter: int | None,
        heard: float,
        session: str | None = None,
        *,
        timed: bool = True,
        now: float = math.inf,
    ) -> Arrival:
        """Where an uplink stands among those already heard, noting it. A node without counters is always new.

        `heard` (UTC s) is the network's time; where that said nothing to be believed it is the arrival here, and
        `timed` is off. `now` (UTC s) is the gateway's: a newest frame in its future was dated by a clock that has been
        set back since, and says nothing about others.
        """
        if counter is None:
            return Arrival.NEW
        if self.last is None:
            return self._append(counter, heard, session, 0, Arrival.NEW)
        if counter > self.last and heard >= self.heard and session == self.session:
            return self._append(counter, heard, session, counter - self.last - 1, Arrival.NEW)
        at = self._find(counter, heard, session, timed)
        if at is not None:
            if self._frames[at] not in self._unread:
                return Arrival.DUPLICATE
            del self._unread[self._frames[at]]
            return Arrival.NEW if at == len(self._frames) - 1 else Arrival.LATE
        adrift = self.heard > now + SAME_FRAME
        arrival = self._judge(counter, heard, session, adrift)
        if arrival is Arrival.LATE:
            self._insert(Frame(counter, heard, session))
            return arrival
        if adrift:
            self.loss = Loss()
        if arrival is Arrival.RESTARTED:
            return self._append(counter, heard, session, 0, arrival)
        return self._append(counter, heard, session, counter - self.last - 1, arrival)

    def full(self, on_air: int, heard: float, session: str | None = None) -> int:
        """The 32-bit count of a frame of which only the low 16 bits are handed on (TS001-1.0.4 section 4.3.1.5).

        Of all counts with these bits it is the one next to the newest, before it or after: a late frame is no wrap. A
        step across the wrap that is longer than the node can have counted meanwhile, and one back that is heard clearly
        later, is a counter that began anew.
        """
        if self.last is None or (session and self.session and session != self.session):
            return on_air
        step = (on_air - self.last + ON_AIR // 2) % ON_AIR - ON_AIR // 2
        count = self.last + step
        known = session is not None and session == self.session
        if step <= 0:
            is_anew = not known and heard >= self.heard + SAME_FRAME
        else:
            is_anew = not known and count // ON_AIR > self.last // ON_AIR and not self._can_count(step, heard)
        return on_air if is_anew or count < 0 else count

    def forget(self, counter: int | None, heard: float, session: str | None = None, *, timed: bool = True) -> None:
        """An uplink that was placed could not be read: it is no double when it comes again, after the fix."""
        if counter is not None:
            at = self._find(counter, heard, session, timed)
            self._unread[Frame(counter, heard, session) if at is None else self._frames[at]] = None
            if len(self._unread) > REMEMBERED:
                del self._unread[next(iter(self._unread))]

    def resume(self, counter: int | None, heard: float) -> None:
        """Go on from before a restart: `counter` was the newest that was shown, heard at `heard` (UTC s)."""
        if counter is None:
            return
        if any(frame.counter == counter for frame in self._frames):
            self.heard = max(self.heard, heard)
        elif heard > self.heard:
            self._append(counter, heard, self.session, 0, Arrival.NEW)

    def resume_sessions(self, sessions: list[tuple[str, float]]) -> None:
        """Go on in the sessions from before a restart, and count what is lost from here on."""
        self.lost = 0
        if sessions:
            self.sessions = sessions
            self.session = sessions[-1][0]

    def _can_count(self, step: int, heard: float) -> bool:
        return step <= AT_ONCE + FRAMES_A_REPORT * max(0.0, heard - self.heard) / self.interval

    def _find(self, counter: int, heard: float, session: str | None, timed: bool) -> int | None:
        """Where this very frame stands among those remembered, None where it does not."""
        for at in range(len(self._frames) - 1, -1, -1):
            frame = self._frames[at]
            if frame.counter == counter:
                if session and frame.session:
                    if session == frame.session:
                        return at
                elif (abs(frame.heard - heard) < SAME_FRAME) if timed else heard < self.heard + SAME_FRAME:
                    return at
            if not timed and at and self._frames[at - 1].counter >= frame.counter:
                return None  # what stands before is of a counter that has begun anew since
        return None

    def _judge(self, counter: int, heard: float, session: str | None, adrift: bool) -> Arrival:
        """What a frame is that was not heard yet and does not simply follow the newest."""
        assert self.last is not None
        if session and self.session:
            if session == self.session:
                return Arrival.NEW if counter > self.last else Arrival.LATE
            ended = any(session == name for name, _ in self.sessions)
            return Arrival.LATE if ended or (heard < self.heard and not adrift) else Arrival.RESTARTED
        if counter > self.last:
            return Arrival.NEW if heard > self.heard - SAME_FRAME or adrift else Arrival.LATE
        if self.last - counter <= OVERTAKEN and (adrift or heard < self.heard + SAME_FRAME):
            return Arrival.LATE
        return Arrival.LATE if heard <= self.heard and not adrift else Arrival.RESTARTED

    def _append(self, counter: int, heard: float, session: str | None, lost: int, arrival: Arrival) -> Arrival:
        """Note the newest frame."""
        if session is not None and session != self.session:
            self.session = session
            self.sessions = [*self.sessions, (session, heard)][-SESSIONS:]
        self.last = counter
        self.heard = heard
        self.lost += lost
        loss = self.loss
        if loss.since <= heard < loss.until:  # nearly always, and so without a call
            loss.came += 1
            loss.lost += lost
        else:
            loss.note(heard, 1, lost)
        frames = self._frames
        frames.append(_new(Frame, (counter, heard, session)))
        if len(frames) >= 2 * REMEMBERED:
            self._trim()
        return arrival

    def _insert(self, frame: Frame) -> None:
        """Note a frame that was passed over: what is missing before it and after it is known better now."""
        at = min(self._belongs(frame), len(self._frames) - 1)
        if at == 0 and self._trimmed:
            self._correct(frame.heard, 0 if frame in self._unread else 1, 0 if frame in self._unread else -1)
            return
        following = self._frames[at]
        missing = _between(frame, following)
        if at:
            before = self._frames[at - 1]
            missing -= _between(before, following)
            self._correct(frame.heard, 0, _between(before, frame))
        self._correct(frame.heard, 1, 0)
        self._correct(following.heard, 0, missing)
        self._frames.insert(at, frame)
        if frame.session and frame.session == self.session and frame.heard < self.sessions[-1][1]:
            self.sessions = [*self.sessions[:-1], (frame.session, frame.heard)]
        if len(self._frames) >= 2 * REMEMBERED:
            self._trim()

    def _correct(self, heard: float, came: int, lost: int) -> None:
        self.lost = max(0, self.lost + lost)
        self.loss.note(heard, came, lost)

    def _belongs(self, frame: Frame) -> int:
        """Before which of the remembered frames another one was sent."""
        at = len(self._frames)
        if frame.session and frame.session != self.session:
            while at and self.session and self._frames[at - 1].session == self.session:
                at -= 1
        while at and _precedes(frame, self._frames[at - 1]):
            at -= 1
        return at

    def _trim(self) -> None:
        """Forget the older half; one at a time would cost as much at every uplink."""
        del self._frames[:REMEMBERED]
        self._trimmed = True


def _precedes(one: Frame, other: Frame) -> bool:
    """Whether one frame was sent before another."""
    if one.session and one.session == other.session:
        return one.counter < other.counter
    if abs(one.counter - other.counter) <= OVERTAKEN and abs(one.heard - other.heard) < SAME_FRAME:
        return one.counter < other.counter
    return (one.heard, one.counter) < (other.heard, other.counter)


def _between(one: Frame, other: Frame) -> int:
    """How many frames were sent between two and never came; none are known of where the counter began anew between."""
    anew = other.counter <= one.counter or (one.session and other.session and one.session != other.session)
    return 0 if anew else other.counter - one.counter - 1
