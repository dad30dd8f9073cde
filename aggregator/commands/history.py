"""What the control socket can ask about what was kept: a field for a chart, readings and events page by page.

    -> {"do": "chart", "tag": "FT-101", "field": "flow", "since": 1800000000, "until": 1800086400, "most": 1000}
    -> {"do": "journal", "alarms": ["methane high"], "most": 50, "after": null}
    <- {"done": {"rows": [...], "after": "1800000000250-4711"}}

`after` of one page is what the next is asked with. Times are UTC seconds; in rows they are as in an export.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict

from aggregator.archive import MOST_ROWS, Archive
from aggregator.commands.asking import count_of, is_flag, is_number, text_of, texts_of
from aggregator.commands.running import OfTheRunningSite
from aggregator.control import Command, Refused, Request
from aggregator.core.alarm_figures import plain
from aggregator.core.annunciator import unit_of
from aggregator.core.keeping import KeptEvent
from aggregator.core.meter import MeterState
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.core.snapshot import finite, quality_told
from aggregator.store.chart import MOST_POINTS, Bucket, Sample, Span
from aggregator.store.journal import Sought
from aggregator.store.reader import Extent, Page
from aggregator.store.rows import Place
from aggregator.takeout import event_row, reading_row

DAY = 86_400.0  # s; what a chart shows unless it is told otherwise
USUAL_POINTS = 1000  # about the columns of a screen
USUAL_ROWS = 100
PLACE = re.compile(r"(-?\d{1,16})-(\d{1,18})")


class HistoryCommands(OfTheRunningSite):
    """The commands about what one service has kept."""

    def __init__(self, site: Callable[[], Site], now: Callable[[], Now], archive: Archive) -> None:
        super().__init__(site, now)
        self._archive = archive

    def table(self) -> Mapping[str, Command]:
        """Every command by its name."""
        return {
            "chart": self.chart,
            "readings": self.readings,
            "journal": self.journal,
            "alarm figures": self.alarm_figures,
        }

    async def chart(self, request: Request) -> Mapping[str, object]:
        """A field of a meter from `since` up to before `until` (UTC s; the last day), `most` points at most."""
        tag, field = text_of(request, "tag"), text_of(request, "field")
        until = _moment(request, "until", self._now().utc)
        since = _moment(request, "since", until - DAY)
        if since >= until:
            raise Refused("`since` is before `until`.")
        gap = _gap(self._site.states.get(tag), field)
        most = count_of({"most": USUAL_POINTS, **request}, "most", MOST_POINTS)
        drawn = await self._archive.chart(tag, field, Span(since, until, most, gap))
        return {
            "tag": tag,
            "field": field,
            "unit": drawn.unit,
            "since": since,
            "until": until,
            "gap_after": finite(gap),
            "count": drawn.count,
            "left_out": drawn.left_out,
            "width": drawn.width,
            "samples": [_sample(each) for each in drawn.samples],
            "buckets": [_bucket(each) for each in drawn.buckets],
            "by_hand": [_sample(each) for each in drawn.by_hand],
        }

    async def readings(self, request: Request) -> Mapping[str, object]:
        """A page of a meter's readings, newest first; of some `fields`, or of all."""
        tag, fields = text_of(request, "tag"), texts_of(request, "fields")
        page = await self._archive.readings(tag, fields, _extent(request))
        return {"rows": [reading_row(each) for each in page.rows], "after": _after(page)}

    async def journal(self, request: Request) -> Mapping[str, object]:
        """A page of the events of some `tags`, `events`, `alarms` and `who`, newest first.

        `unit` is that of the alarm's value and limit, `written` that of a rate as people wrote it; None: there is none.
        """
        lists = {name: texts_of(request, name) for name in ("tags", "events", "alarms", "people")}
        sought = Sought(
            lists["tags"], lists["events"], lists["alarms"], lists["people"], is_flag(request, "about_alarms")
        )
        page = await self._archive.journal(sought, _extent(request))
        return {"rows": [{**event_row(each), **self._units(each)} for each in page.rows], "after": _after(page)}

    def _units(self, event: KeptEvent) -> dict[str, object]:
        name = event.facts.get("alarm")
        live = self._site.annunciator.alarms.get((event.tag or "", name)) if isinstance(name, str) else None
        state = None if live is None else self._site.states.get(live.alarm.tag)
        if live is None or state is None:
            return {"unit": None, "written": None}
        written = live.alarm.written
        return {"unit": unit_of(live.alarm, state.meter), "written": None if written is None else written._asdict()}

    async def alarm_figures(self, request: Request) -> Mapping[str, object]:
        """How well the alarms serve who must act on them, from `since` (UTC s; the last 30 days) until now."""
        until = self._now().utc
        since = _moment(request, "since", until - 30 * DAY)
        return plain(await self._archive.alarm_figures(since, until))


def _gap(state: MeterState | None, field: str) -> float:
    """After how long (s) a field's reading is stale, and a line through its readings would be made up."""
    index = None if state is None else state.meter.profile.index_of(field)
    return math.inf if state is None or index is None else state.meter.limit(index)


def _moment(request: Request, key: str, usual: float) -> float:
    moment = request.get(key)
    if moment is None:
        return usual
    if not is_number(moment) or abs(moment) > 1e11:
        raise Refused(f"`{key}` is a time in UTC seconds.")
    return moment


def _extent(request: Request) -> Extent:
    """What a page may hold."""
    return Extent(
        _moment(request, "since", -math.inf),
        _moment(request, "until", math.inf),
        count_of({"most": USUAL_ROWS, **request}, "most", MOST_ROWS),
        _place(request.get("after")),
    )


def _place(text: object) -> Place | None:
    """Where a page goes on, as the page before told it."""
    if text is None:
        return None
    found = PLACE.fullmatch(text) if isinstance(text, str) else None
    if found is None:
        raise Refused("`after` is what the page before told as `after`.")
    return Place(int(found[1]), int(found[2]))


def _after(page: Page) -> str | None:
    return None if page.after is None else f"{page.after.at}-{page.after.id}"


def _sample(sample: Sample) -> dict[str, object]:
    return {"at": sample.at, "value": sample.value, **quality_told(sample.reasons), "after_gap": sample.after_gap}


def _bucket(bucket: Bucket) -> dict[str, object]:
    marks = {name: getattr(bucket, name) for name in ("first", "lowest", "highest", "last")}
    told = {name: None if each is None else [each.at, each.value] for name, each in marks.items()}
    rest = {name: value for name, value in asdict(bucket).items() if name not in (*marks, "worst", "reasons")}
    return {**rest, **told, **quality_told(bucket.reasons)}
