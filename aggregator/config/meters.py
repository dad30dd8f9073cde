"""Meters from meters.yaml: profiles found, silence limits settled, tags and nodes unique."""

from __future__ import annotations

from collections.abc import Mapping

from aggregator.config.document import Document
from aggregator.config.findings import Findings, time_words
from aggregator.config.meter_keys import MeterDefaults, MeterKeys, MetersKeys
from aggregator.core.meter import Meter
from aggregator.core.profile import Profile
from aggregator.core.slip import near

MISSED = 3  # reporting intervals after which a silent meter is stale, where the file does not say


def build_meters(
    keys: MetersKeys, file: Document, profiles: Mapping[str, Profile], findings: Findings
) -> dict[str, Meter]:
    """Every meter by its tag."""
    meters: dict[str, Meter] = {}
    nodes: dict[str, Meter] = {}
    for at, each in enumerate(keys.meters):
        if each.tag in meters:
            what = f"tag {each.tag} stands in {meters[each.tag].place.short} too"
            findings.wrong(file.place("meters", at, "tag"), what, "Give one of them another tag")
            continue
        meter = _meter(each, at, keys.defaults, file, profiles, findings)
        if meter is None:
            continue
        if meter.node in nodes:
            first = nodes[meter.node]
            what = f"node {meter.node} is on {first.tag} already ({first.place.short})"
            findings.wrong(file.place("meters", at, "node"), what, "Check the labels; a node sits on one meter")
        elif meter.node:
            nodes[meter.node] = meter
        meters[each.tag] = meter
    return meters


def _meter(
    keys: MeterKeys,
    at: int,
    defaults: MeterDefaults,
    file: Document,
    profiles: Mapping[str, Profile],
    findings: Findings,
) -> Meter | None:
    place = file.place("meters", at)
    profile = profiles.get(keys.profile)
    if profile is None:
        cure = near(keys.profile, profiles, "There are")
        findings.wrong(file.place("meters", at, "profile"), f"{keys.tag}: there is no profile `{keys.profile}`", cure)
        return None
    every = keys.reports_every or defaults.reports_every
    if every is None:
        findings.wrong(place, f"{keys.tag}: `reports_every` is missing", "Add it here or under `defaults:`")
        return None
    stale_after = keys.stale_after or defaults.stale_after or MISSED * every
    advice = f"Let it be stale after {time_words(MISSED * every)}, three intervals, or so"
    if stale_after < every:
        where = file.place("meters", at, "stale_after" if keys.stale_after else "reports_every")
        what = f"{keys.tag} would be stale after {time_words(stale_after)} but reports every {time_words(every)}"
        findings.wrong(where, what, advice)
    for field in profile.fields:
        if field.stale_after is not None and field.stale_after < every:
            what = (
                f"{keys.tag} reports every {time_words(every)}, but its {field.name} would be stale after "
                f"{time_words(field.stale_after)} ({field.place.short})"
            )
            findings.wrong(file.place("meters", at, "reports_every"), what, advice)
    return Meter(keys.tag, keys.name, keys.area, profile, every, stale_after, keys.node, keys.calibration_due, place)
