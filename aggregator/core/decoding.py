"""What an uplink reads by a profile: that of the meter its node sits on, or one that is only tried."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from aggregator.core.errors import DecodeError, Refusal
from aggregator.core.judge import judge
from aggregator.core.profile import Profile
from aggregator.core.reading import Times, Value
from aggregator.core.records import Pairs
from aggregator.core.uplink import Uplink

AT_ANY_TIME = Times(None, None, 0.0, 0.0)  # for readings that are looked at and never shown


def decode(profile: Profile, uplink: Uplink) -> Pairs:
    """The values in an uplink, from its decoded fields where it has them, else from its raw payload.

    Raises DecodeError; NO_DATA where the uplink carries nothing to decode, as a node's keep-alive on port 0 does.
    """
    if isinstance(uplink.decoded, dict) and uplink.decoded and profile.decoded:
        return profile.decode_fields(uplink.decoded)
    if uplink.payload:
        if uplink.port == 0:
            raise DecodeError(Refusal.NO_DATA, "port 0 carries radio commands only")
        return profile.decode_payload(uplink.port, uplink.payload)
    if uplink.decoded is not None and not isinstance(uplink.decoded, dict):
        raise DecodeError(Refusal.WRONG_TYPE, "the decoded fields are no JSON object")
    raise DecodeError(Refusal.NO_DATA, "neither decoded fields nor a payload")


@dataclass(frozen=True, slots=True)
class Read:
    """One value as a profile reads it: `value` in `unit`, and the reasons (status bits) not to think it likely."""

    field: str
    label: str
    value: Value | None
    unit: str
    reasons: int


def read(profile: Profile, uplink: Uplink) -> tuple[Read, ...]:
    """What an uplink reads by a profile, of a batch the newest record. Raises DecodeError."""
    batch = profile.decode_batch(uplink.port, uplink.payload, uplink.decoded) if profile.sends_batches else None
    pairs = decode(profile, uplink) if batch is None else batch.records[-1].pairs
    found = []
    for index, value in pairs:
        field = profile.fields[index]
        judged = judge(field, value, AT_ANY_TIME)
        found.append(Read(field.name, field.label, judged.value, field.unit, judged.reasons))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Fit:
    """A profile by which an uplink can be read, and what it reads then.

    `likely` is how many values it reads that its meter can measure, for each field that such a meter always sends. The
    battery is the node's and tells nothing of the meter.
    """

    profile: str
    title: str
    read: tuple[Read, ...]
    likely: float


def fits(profiles: Iterable[Profile], uplink: Uplink) -> list[Fit]:
    """Every profile by which an uplink can be read: that which reads the most likely values first, then the most."""
    found = []
    for profile in profiles:
        try:
            found.append(_fit(profile, read(profile, uplink)))
        except DecodeError:
            continue
    return sorted(found, key=lambda each: (-each.likely, -len(each.read), each.profile))


def _fit(profile: Profile, values: tuple[Read, ...]) -> Fit:
    battery = profile.battery
    always = sum(
        index != battery and not each.optional and each.computed is None for index, each in enumerate(profile.fields)
    )
    likely = sum(not each.reasons and profile.index_of(each.field) != battery for each in values)
    return Fit(profile.name, profile.title, values, likely / max(1, always))
