"""What an uplink's values do to their meter: judged, counted on, shown, and laid out to be kept.

newer than what is shown    judged against it, shown in its place, looked at by alarms
older                       into the history only; but fields that nothing newer told are shown from it
"""

from __future__ import annotations

from collections.abc import Callable

from aggregator.core.annunciator import Annunciator
from aggregator.core.computed import Sample, number_in
from aggregator.core.counting import carry_totals_on
from aggregator.core.dating import heard_at
from aggregator.core.judge import SENSOR_FAULT, judge
from aggregator.core.keeping import CANNOT_SAY
from aggregator.core.meter import UNTIL_THE_NEXT, MeterState
from aggregator.core.outbox import Note, Outbox, Readings
from aggregator.core.reading import Fault, Now, Times
from aggregator.core.records import Pairs
from aggregator.core.sequence import SAME_FRAME
from aggregator.core.silence import Silence
from aggregator.core.uplink import Uplink


class Taking:
    """Takes the values of one uplink after the other. `paint` shows a meter whose reasons were as given before."""

    def __init__(
        self,
        outbox: Outbox,
        silence: Silence,
        annunciator: Annunciator,
        paint: Callable[[MeterState, int], None],
    ) -> None:
        self._outbox = outbox
        self._silence = silence
        self._annunciator = annunciator
        self._paint = paint

    def new(
        self,
        state: MeterState,
        pairs: Pairs,
        uplink: Uplink,
        times: Times,
        reasons: int,
        now: Now,
        present: Now,
        within: float | None = None,
    ) -> list[Note]:
        """Values that are newer than what is shown. `within` is what the store needs to know of a record of a batch."""
        notes = self._faults(state, pairs, now)
        if state.wired is not None:
            state.wired.take(uplink, pairs)
        readings = state.judge(pairs, times, reasons)
        if state.counts:
            notes += carry_totals_on(state, readings, times, self._outbox, now)
        if state.computing is not None and readings:
            state.computing.carry_on(state.readings, readings, times)
        self._outbox.uplink(state, uplink, readings, times, now, within=within)
        return notes + self._show(state, readings, times, uplink, present)

    def late(
        self,
        state: MeterState,
        pairs: Pairs,
        uplink: Uplink,
        times: Times,
        reasons: int,
        now: Now,
        present: Now,
        within: float | None = None,
    ) -> tuple[list[Note], bool]:
        """Values older than what is shown: they go into the history, and show only what no newer ones told.

        A node that sends its fields in several frames has them overtake each other, and none of them tells all. What is
        heard long after the newest is an old frame sent once more: nobody knows what it is older than.
        """
        known = heard_at(uplink.received, now) < state.sequence.heard + SAME_FRAME
        newest: Pairs = []
        older: Pairs = []
        for pair in pairs:
            (newest if known and state.is_older(pair[0], times, uplink.counter, within or 0.0) else older).append(pair)
        fields = state.meter.profile.fields
        notes = self._faults(state, newest, now)
        shown = state.judge(newest, times, reasons)
        if state.counts:
            notes += carry_totals_on(state, shown, times, self._outbox, now)
        hidden = [(index, judge(fields[index], value, times, reasons)) for index, value in older]
        if state.computing is not None:
            state.computing.add(Sample(index, times.since, number_in(reading)) for index, reading in shown + hidden)
        self._outbox.uplink(state, uplink, shown + hidden, times, now, filled_in=shown, within=within)
        if known:
            state.hear(times, uplink.radio, uplink.counter)
        if shown:
            notes += self._fill_in(state, shown, times, uplink, present)
            if state.wired is not None and not hidden:
                state.wired.take(uplink, pairs)
        else:
            self._paint(state, state.reasons)  # what was lost is known better now
        return notes, bool(shown)

    def _fill_in(self, state: MeterState, readings: Readings, times: Times, uplink: Uplink, now: Now) -> list[Note]:
        """Show of a late uplink what no newer one carried."""
        before = state.reasons
        watched = list(state.readings) if state.meter.tag in self._annunciator.watched else None
        failed = state.common & UNTIL_THE_NEXT
        state.fill_in(readings, times, uplink.counter)
        if failed and not state.common & UNTIL_THE_NEXT:
            self._outbox.state(state.meter.tag, CANNOT_SAY, None)
        state.expire(now.monotonic)
        self._silence.look_at(state)
        self._paint(state, before)
        return [] if watched is None else self._annunciator.shown(state, watched, now)

    def _faults(self, state: MeterState, pairs: Pairs, now: Now) -> list[Note]:
        """Journal what the meter itself reports in place of a value, once for as long as it stands."""
        fields = state.meter.profile.fields
        return [
            self._outbox.event(
                "meter reports a fault",
                state.meter.tag,
                now,
                {"field": fields[index].name, "fault": value.words},
                warning=True,
            )
            for index, value in pairs
            if isinstance(value, Fault) and not state.readings[index].reasons & SENSOR_FAULT
        ]

    def _show(self, state: MeterState, readings: Readings, times: Times, uplink: Uplink, now: Now) -> list[Note]:
        """Show what an uplink brought; one without data (a radio's keep-alive) says only that the node lives."""
        before = state.reasons
        watched = list(state.readings) if state.meter.tag in self._annunciator.watched else None
        if readings:
            if state.common & UNTIL_THE_NEXT:
                self._outbox.state(state.meter.tag, CANNOT_SAY, None)
            state.take(readings, times, uplink.radio, uplink.counter)
            if now.monotonic - times.since >= state.shortest_limit:  # old on arrival
                state.expire(now.monotonic)
            self._silence.heard(state, times.since)
        else:
            state.radio, state.counter, state.counted = uplink.radio, uplink.counter, times.since
        self._paint(state, before)
        return [] if watched is None else self._annunciator.shown(state, watched, now)
