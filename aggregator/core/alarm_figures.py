"""How well a site's alarms serve who must act on them: the figures of EEMUA 191 and ISA-18.2, taken from the journal.

An alarm counts each time it is announced: raised, announced again, or come back from being put aside while it stands.
What is raised while it is shelved, suppressed or out of service announces nothing and loads nobody.

The targets are for one operator position. Of EEMUA 191 those beside the averages and the split of priorities are as
public summaries of it give them; those of ISA-18.2 are `from memory`.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict, deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field

from aggregator.core.alarm import Key, Priority
from aggregator.core.alarm_state import State
from aggregator.core.keeping import KeptEvent
from aggregator.core.live_alarm import SAYS

PERIOD, HOUR, DAY = 600.0, 3600.0, 86400.0
FLOOD_PERIOD = 10  # alarms; more in ten minutes are more than one operator can follow
FLOOD_HOUR = 30
CHATTER, CHATTER_WITHIN = 3, 60.0
WORST = 10
ANNOUNCED = State.UNACKNOWLEDGED.words
ALARM_EVENTS = frozenset(SAYS.values())
STANDS = frozenset(state.words for state in State if state.is_active)


@dataclass(frozen=True, slots=True)
class AlarmFigures:
    """The figures of one stretch of time, `begin` up to before `end` (UTC s).

    `standing` is how many alarms stand longer than a day at its end, `most_standing` the most that did at once.
    """

    begin: float
    end: float
    announced: int = 0
    most_in_period: int = 0
    most_in_day: int = 0
    periods: int = 0
    flooded_periods: int = 0
    hours: int = 0
    flooded_hours: int = 0
    worst: Sequence[tuple[Key, int]] = ()
    chattering: Sequence[tuple[Key, int]] = ()
    standing: int = 0
    most_standing: int = 0
    priorities: Mapping[str, int] = field(default_factory=dict)

    @property
    def a_period(self) -> float:
        """Alarms in ten minutes, on average."""
        return self.announced * PERIOD / max(self.end - self.begin, PERIOD)

    @property
    def a_day(self) -> float:
        """Alarms a day, on average; of less than a day what a whole one would have at that rate."""
        return self.a_period * DAY / PERIOD

    @property
    def worst_share(self) -> float:
        """Which part of all alarms the worst ten make."""
        return sum(count for _, count in self.worst) / self.announced if self.announced else 0.0


def alarm_figures(journal: Iterable[KeptEvent], since: float, until: float) -> AlarmFigures:
    """The figures from `since` up to before `until` (UTC s), or from the journal's first line where that is later.

    The journal is needed from its beginning, in order of time: an alarm may stand since long before.
    """
    announced: list[tuple[float, Key, str]] = []
    stood: dict[Key, float] = {}
    spans: list[tuple[float, float]] = []
    first = math.inf
    for event in journal:
        if event.at >= until:
            break
        first = min(first, event.at)
        name, state = event.facts.get("alarm"), event.facts.get("state")
        if event.event not in ALARM_EVENTS or event.tag is None or not isinstance(name, str):
            continue
        key = event.tag, name
        if state == ANNOUNCED and event.at >= since:
            announced.append((event.at, key, str(event.facts.get("priority"))))
        if state in STANDS:
            stood.setdefault(key, event.at)
        elif key in stood:
            spans.append((stood.pop(key), event.at))
    spans += [(began, until) for began in stood.values()]
    begin = min(max(since, first), until)
    return _figures(begin, until, announced, spans)


def _figures(
    begin: float, end: float, announced: Sequence[tuple[float, Key, str]], spans: Iterable[tuple[float, float]]
) -> AlarmFigures:
    by_period, by_hour, by_day = (
        Counter(int((at - begin) // length) for at, _, _ in announced) for length in (PERIOD, HOUR, DAY)
    )
    long = [(max(began + DAY, begin), ended) for began, ended in spans if ended > max(began + DAY, begin)]
    split = Counter(priority for _, _, priority in announced)
    return AlarmFigures(
        begin,
        end,
        announced=len(announced),
        most_in_period=max(by_period.values(), default=0),
        most_in_day=max(by_day.values(), default=0),
        periods=math.ceil((end - begin) / PERIOD),
        flooded_periods=sum(count > FLOOD_PERIOD for count in by_period.values()),
        hours=math.ceil((end - begin) / HOUR),
        flooded_hours=sum(count > FLOOD_HOUR for count in by_hour.values()),
        worst=_most(Counter(key for _, key, _ in announced)),
        chattering=_most(_chatter(announced)),
        standing=sum(ended == end for _, ended in long),
        most_standing=_at_once(long),
        priorities={each.name.lower(): split[each.name.lower()] for each in reversed(Priority)},
    )


def _most(counts: Counter[Key]) -> list[tuple[Key, int]]:
    """The ten that come most often, the most frequent first."""
    return sorted(counts.items(), key=lambda each: (-each[1], each[0]))[:WORST]


def _chatter(announced: Iterable[tuple[float, Key, str]]) -> Counter[Key]:
    """How often each alarm was announced for the third time or more within a minute."""
    last: dict[Key, deque[float]] = defaultdict(lambda: deque(maxlen=CHATTER))
    chattered: Counter[Key] = Counter()
    for at, key, _ in announced:
        last[key].append(at)
        if len(last[key]) == CHATTER and at - last[key][0] <= CHATTER_WITHIN:
            chattered[key] += 1
    return chattered


def _at_once(spans: Iterable[tuple[float, float]]) -> int:
    """The most spans that lie over one another at any time."""
    changes = sorted(change for begin, end in spans for change in ((begin, 1), (end, -1)))
    most = now = 0
    for _, change in changes:
        now += change
        most = max(most, now)
    return most


@dataclass(frozen=True, slots=True)
class Told:
    """One figure as people read it: its name, its value, what it should be, and who says so."""

    name: str
    value: str
    target: str = ""
    source: str = ""


EEMUA = "EEMUA 191"
ISA = "ISA-18.2, from memory"


def told(figures: AlarmFigures) -> list[Told]:
    """The figures with their targets."""
    order = ("critical", "high", "medium", "low")
    split = " / ".join(_share(figures.priorities.get(each, 0), figures.announced) for each in order)
    return [
        Told("alarms announced", str(figures.announced)),
        Told("in 10 min, average", f"{figures.a_period:.2f}", "about 1", EEMUA),
        Told("in 10 min, most", str(figures.most_in_period), "10 or fewer", ISA),
        Told("a day, average", f"{figures.a_day:.1f}", "about 144, at most 288", f"{EEMUA}; {ISA}"),
        Told("in a day, most", str(figures.most_in_day)),
        Told(
            "periods of 10 min with more than 10",
            _share(figures.flooded_periods, figures.periods),
            "below 1 %",
            ISA,
        ),
        Told("hours with more than 30", _share(figures.flooded_hours, figures.hours), "below 1 %", ISA),
        Told("share of the worst ten", f"{100 * figures.worst_share:.1f} %", "1 to 5 %", ISA),
        Told("alarms that chatter, 3 in a minute", str(len(figures.chattering)), "none", f"{EEMUA}, {ISA}"),
        Told("standing for over a day, now", str(figures.standing), "fewer than 5", ISA),
        Told("standing for over a day, most at once", str(figures.most_standing), "fewer than 5", ISA),
        Told("critical / high / medium / low", split, "of the upper three 5 / 15 / 80 %", EEMUA),
    ]


def plain(figures: AlarmFigures) -> dict[str, object]:
    """The figures as plain data, with their targets under `figures`."""
    worst, chattering = ([[*key, count] for key, count in each] for each in (figures.worst, figures.chattering))
    targets = [asdict(each) for each in told(figures)]
    return {**asdict(figures), "worst": worst, "chattering": chattering, "figures": targets}


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "0.0 %"
