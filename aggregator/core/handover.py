"""From one site to the next, when its files have changed while it runs: what each meter knows goes on.

A field goes on where the new profile has one of its name and unit; a node's frames go with the node, whichever meter it
sits on now; a total where the field still counts. What is new starts as it would at a first start, and what is gone is
gone from the registers; its history stays.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from aggregator.core.computed import Sample
from aggregator.core.meter import Meter, MeterState
from aggregator.core.profile import Profile
from aggregator.core.reading import Now


def hand_over(old: Mapping[str, MeterState], new: Mapping[str, MeterState], now: Now) -> None:
    """Have the meters of the new site go on from where those of the same tag stand."""
    on_node = {state.node: state for state in old.values() if state.node}
    ways: dict[tuple[int, int], _Way] = {}  # hardly more than there are profiles
    for tag, state in new.items():
        if state.node in on_node:  # a frame that was heard before its node was moved is no news after
            state.sequence = on_node[state.node].sequence
            state.sequence.interval = state.meter.reports_every
        if tag in old:
            was, now_is = old[tag].meter.profile, state.meter.profile
            way = ways.get((id(was), id(now_is)))
            if way is None:
                way = ways[id(was), id(now_is)] = _Way.between(was, now_is)
            _go_on(old[tag], state, way)
            state.expire(now.monotonic)  # its limits may be others now
            state.sum_up()


class _Way(NamedTuple):
    """From one profile to another: the fields that go on, as new and old index, and whether nothing else changed."""

    place: Mapping[int, int]
    same: bool

    @classmethod
    def between(cls, old: Profile, new: Profile) -> _Way:
        before = {(field.name, field.unit): index for index, field in enumerate(old.fields)}
        place = {
            index: before[field.name, field.unit]
            for index, field in enumerate(new.fields)
            if (field.name, field.unit) in before
        }
        return cls(place, old == new)


def _go_on(old: MeterState, new: MeterState, way: _Way) -> None:
    for index, was in way.place.items():
        new.readings[index], new.still_since[index] = old.readings[was], old.still_since[was]
        if index in new.counts and was in old.totals:
            new.totals[index] = old.totals[was]
        if was in old.set_apart:
            new.set_apart.add(index)
        if was in old.substitutes:
            new.substitutes[index] = old.substitutes[was]
    new.common, new.heard, new.last_observed = old.common, old.heard, old.last_observed
    new.held = old.held
    if new.node != old.node:
        new.part_from_before()
    else:
        new.heard_before = old.heard_before
        new.radio, new.counter, new.newest = old.radio, old.counter, old.newest
        new.counted, new.heard_as, new.failed_since = old.counted, old.heard_as, old.failed_since
    if new.computing is not None and old.computing is not None:
        now_at = {was: index for index, was in way.place.items()}
        samples = (each for each in old.computing.samples() if each.field in now_at)
        new.computing.add(Sample(now_at[each.field], each.at, each.value) for each in samples)
    if way.same and new.wired is not None and old.wired is not None:
        new.wired = old.wired


def changes(old: Iterable[Meter], new: Iterable[Meter], map_before: int, map_after: int) -> dict[str, object]:
    """What is different between two states of a site's files, for the journal; maps are told by their fingerprints."""
    before, after = ({meter.tag: meter for meter in each} for each in (old, new))
    return {
        "meters_new": sorted(after.keys() - before.keys()),
        "meters_gone": sorted(before.keys() - after.keys()),
        "meters_changed": sorted(tag for tag in before.keys() & after.keys() if before[tag] != after[tag]),
        "map_before": f"{map_before:08x}",
        "map_after": f"{map_after:08x}",
    }
