"""What the control socket can ask about links without changing any: how far the site is, and which nodes are heard."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from aggregator.commands.asking import text_of
from aggregator.commands.running import OfTheRunningSite
from aggregator.control import Command, Refused, Request
from aggregator.core.agreement import Check
from aggregator.core.decoding import Fit, Read, fits, read
from aggregator.core.device_code import MOST, DeviceCode, read_code
from aggregator.core.errors import DecodeError
from aggregator.core.heard import HeardNode, HeardUplink
from aggregator.core.link import LONGEST, Link
from aggregator.core.link_progress import Progress, Stage, counted, progress_of
from aggregator.core.profile import Profile
from aggregator.core.reading import Now, quality_words
from aggregator.core.site import Site
from aggregator.core.verification import Comparable, comparables
from aggregator.turns import in_turns

T = TypeVar("T")
MOST_METERS = 3000  # told in one answer, which has its bounds
MOST_NODES = 100
AT_ONCE = 500  # meters looked at before polls get their turn
MOST_FITS = 3  # profiles told of each node in the list of nodes
MOST_FREE = 10  # meters without a node that are named beside a profile


class LinkTelling(OfTheRunningSite):
    """The commands that look at links and nodes."""

    def table(self) -> Mapping[str, Command]:
        """Every command by its name."""
        return {
            "links": self.links,
            "links of": self.links_of,
            "nodes": self.nodes,
            "node": self.node,
            "code": self.code,
        }

    async def links(self, request: Request) -> Mapping[str, object]:
        """How far the site is, and each meter with its stage.

        Only those of an `area`, at a `stage`, or with the text `find` in tag, name, area or node where asked; `most` of
        them after the first `from`.
        """
        stage = request.get("stage")
        if stage is not None and stage not in list(Stage):
            raise Refused(f"`stage` is one of: {', '.join(Stage)}.")
        linking, now = self._site.linking, self._now()
        states = in_turns(list(self._site.states.values()), AT_ONCE)
        rows = [progress_of(state, linking, now) async for state in states]
        wanted = [row for row in rows if _is_wanted(row, request)]
        told = [_progress(row) for row in _part(wanted, request, MOST_METERS)]
        return {"counts": counted(rows), "nodes_on_no_meter": len(linking.heard), "meters": told, "count": len(wanted)}

    async def links_of(self, request: Request) -> Mapping[str, object]:
        """One meter's links, the open one and those that have ended, newest first, and what can be compared."""
        tag = self._state_of(text_of(request, "tag")).meter.tag
        return {**told_of(self._site, tag, self._now()), **_of_meter(self._site, tag, self._now())}

    async def nodes(self, request: Request) -> Mapping[str, object]:
        """The nodes that are heard and sit on no meter, the one heard last first, each with the profiles that fit.

        `most` of them after the first `from`.
        """
        heard = list(self._site.linking.heard)
        free = self._free()
        asked = in_turns(_part(heard, request, MOST_NODES), 1)  # each is tried by every profile
        told = [self._node(each, free) async for each in asked]
        return {"nodes": told, "count": len(heard)}

    async def node(self, request: Request) -> Mapping[str, object]:
        """One such node, with its newest uplinks and what each would read by every profile that fits."""
        code = read_code(text_of(request, "node", MOST))
        known = self._site.linking.heard.get(code.node)
        if known is None:
            there = self._site.by_node.get(code.node)
            where = "was not heard" if there is None else f"sits on {there.meter.tag}"
            raise Refused(f"node {code.node} {where}. `nodes` lists those that are heard and sit nowhere.")
        free = self._free()
        uplinks = [self._uplink(each, free) for each in reversed(known.newest)]
        return {**self._node(known, free), "uplinks": uplinks}

    async def code(self, request: Request) -> Mapping[str, object]:
        """What the code on a node says, `node`; where that node sits, or how it was heard.

        With a `tag`, what its newest uplink reads by the profile of that meter, or why it cannot be read.
        """
        code = read_code(text_of(request, "node", MOST))
        known, there = self._site.linking.heard.get(code.node), self._site.by_node.get(code.node)
        state = self._site.states.get(text_of(request, "tag")) if request.get("tag") else None
        tried = _tried(known, state.meter.profile) if known is not None and state is not None else {}
        return {
            **_label(code),
            "sits_on": there.meter.tag if there is not None else None,
            "heard": _figures(known) if known is not None else None,
            **tried,
        }

    def _node(self, node: HeardNode, free: Mapping[str, list[str]]) -> dict[str, object]:
        found = _fits(self._fits(node.newest[-1])[:MOST_FITS], free) if node.newest else []
        return {"node": node.node, **_figures(node), "fits": found}

    def _uplink(self, heard: HeardUplink, free: Mapping[str, list[str]]) -> dict[str, object]:
        uplink = heard.uplink
        return {
            "at": heard.at,
            "topic": heard.topic,
            "counter": uplink.counter,
            "port": uplink.port,
            "payload": uplink.payload.hex() if uplink.payload is not None else None,
            "decoded": uplink.decoded,
            **uplink.radio._asdict(),
            "fits": _fits(self._fits(heard), free),
        }

    def _fits(self, heard: HeardUplink) -> list[Fit]:
        profiles = {meter.profile.name: meter.profile for meter in self._site.declared.meters}
        return fits(profiles.values(), heard.uplink)

    def _free(self) -> dict[str, list[str]]:
        """The first meters of each model that have no node."""
        free: dict[str, list[str]] = {}
        for tag, state in self._site.states.items():
            tags = free.setdefault(state.meter.profile.name, [])
            if state.node is None and len(tags) < MOST_FREE:
                tags.append(tag)
        return free


def told_of(site: Site, tag: str, now: Now) -> dict[str, object]:
    """What is known of a meter's links; of one that the files have no longer only its record."""
    links, state = site.linking.links, site.states.get(tag)
    link = links.open.get(tag)
    progress = _progress(progress_of(state, site.linking, now)) if state is not None else {"tag": tag}
    past = [_link(each) for each in reversed(links.past.get(tag, ()))]
    return {**progress, "link": _link(link) if link else None, "past": past}


def _of_meter(site: Site, tag: str, now: Now) -> dict[str, object]:
    """What whoever stands at a meter needs to know of it. Times in s."""
    state = site.states[tag]
    meter, link = state.meter, site.linking.sits(tag, now)
    counters = {meter.profile.fields[index].name: state.totals.get(index) for index in state.counts}
    return {
        "profile": meter.profile.name,
        "title": meter.profile.title,
        "reports_every": meter.reports_every,
        "declared_at": meter.place.short,
        "signal": state.radio._asdict() if state.age(now.monotonic) is not None else None,
        "fields": [_comparable(each) for each in comparables(state, link, now)],
        "counters": {
            name: {"total": total.so_far, "last": total.last} if total else None for name, total in counters.items()
        },
    }


def _comparable(field: Comparable) -> dict[str, object]:
    bounds = field.bounds._asdict() if field.bounds is not None else None
    quality = quality_words(field.reasons) if field.age is not None else None
    told = {**field._asdict(), "quality": quality, "bounds": bounds}
    del told["reasons"]
    return told


def _is_wanted(row: Progress, request: Request) -> bool:
    if request.get("area") not in (None, row.area) or request.get("stage") not in (None, str(row.stage)):
        return False
    find = request.get("find")
    return not isinstance(find, str) or find.lower() in f"{row.tag} {row.name} {row.area} {row.node or ''}".lower()


def _part(rows: list[T], request: Request, longest: int) -> list[T]:
    """The rows that are asked for. Raises Refused."""
    skip, most = request.get("from") or 0, request.get("most") or longest
    if not (isinstance(skip, int) and isinstance(most, int) and skip >= 0 and 0 < most <= longest):
        raise Refused(f"`from` is a count, and `most` one up to {longest}.")
    return rows[skip : skip + most]


def _tried(known: HeardNode, profile: Profile) -> dict[str, object]:
    """What a node's newest uplink that can be read says by a profile, or why the last cannot be."""
    wrong = "it has sent nothing that was kept"
    for each in reversed(known.newest):
        try:
            return {"at": each.at, "reads": [_read(value) for value in read(profile, each.uplink)], "unreadable": None}
        except DecodeError as error:
            wrong = str(error)
    return {"at": None, "reads": [], "unreadable": wrong}


def _label(code: DeviceCode) -> dict[str, object]:
    return {"node": code.node, "join": code.join, "maker_profile": code.profile, "serial": code.serial}


def _figures(node: HeardNode) -> dict[str, object]:
    return {"first": node.first, "last": node.last, "count": node.count, **node.radio._asdict()}


def _fits(found: list[Fit], free: Mapping[str, list[str]]) -> list[dict[str, object]]:
    return [
        {
            "profile": each.profile,
            "title": each.title,
            "reads": [_read(value) for value in each.read],
            "meters_without_node": free.get(each.profile, []),
        }
        for each in found
    ]


def _progress(row: Progress) -> dict[str, object]:
    return {**row._asdict(), "stage": str(row.stage)}


def _link(link: Link) -> dict[str, object]:
    """A link on record, for whoever asks. Times are UTC s."""
    return {
        **{name: getattr(link, name) for name in ("number", "tag", "node", "since", "entered", "who", "by_file")},
        **{name: getattr(link, name) for name in LONGEST},
        "clock": link.clock.name.lower(),
        "label": dict(link.label),
        "verified": link.verified,
        "seen": None
        if link.seen is None
        else {"at": link.seen.at, **link.seen.radio._asdict(), "reads": [_read(each) for each in link.seen.read]},
        "checks": [_check(each) for each in link.checks],
        "end": link.end._asdict() if link.end else None,
    }


def _read(value: Read) -> dict[str, object]:
    return {"field": value.field, "value": value.value, "unit": value.unit, "quality": quality_words(value.reasons)}


def _check(check: Check) -> dict[str, object]:
    figures = {name: getattr(check, name) for name in ("at", "who", "field", "shows", "read", "unit", "age", "off")}
    return {**figures, **check.bounds._asdict(), "agrees": check.agrees, "says": str(check)}
