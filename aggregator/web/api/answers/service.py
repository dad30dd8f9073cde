"""The service itself: how it is, its settings and log, what meters need, what was set aside."""

from __future__ import annotations

from typing import Any

from aggregator.web.api.answers import Answer, Number
from aggregator.web.api.answers.meters import Loss, Substituted


class LossOf(Loss):
    """How many uplinks of a meter's node get lost."""

    tag: str


class SubstitutedField(Substituted):
    """What is shown in place of a field's readings, and of which."""

    tag: str
    field: str
    unit: str


class ListenerAway(Answer):
    """A listener that is not open, and why."""

    listener: str
    reason: str


class SerialLine(Answer):
    """A serial line; `trouble` is null while it can be used."""

    port: str
    trouble: str | None
    requests: int
    errors: int


class CertificateNow(Answer):
    """A certificate in use, when it ends, and whether that is soon."""

    of: str
    file: str
    ends: float
    days: int
    soon: bool


class Status(Answer):
    """What the service says of itself, by the names of the gateway block's figures where they have one."""

    site: str
    version: str
    map_fingerprint: str
    broker_connected: bool
    broker_trouble: str | None
    clock_trusted: bool
    clock_sets: int
    generation: int
    files_refused: bool
    uptime: int
    meters_total: int
    meters_good: int
    meters_uncertain: int
    meters_bad: int
    meters_stale: int
    meters_never_seen: int
    meters_under_test: int
    meters_in_alarm: int
    uplinks_accepted: int
    uplinks_duplicate: int
    uplinks_late: int
    uplinks_rejected: int
    uplinks_lost: int
    last_uplink_age: int | None
    fields_substituted: int
    substituted: list[SubstitutedField]
    losses: list[LossOf]
    refused: dict[str, int]
    folder: str
    data: str
    waits_for_restart: list[str]
    listeners_away: list[ListenerAway]
    pages_away: str | None
    serial_lines: list[SerialLine]
    certificates: list[CertificateNow]
    store_problem: str | None
    store_waiting: int
    store_committed: int
    store_dropped: int
    store_bytes_written: int


class Setting(Answer):
    """A number of the site that may be changed, in its unit, between `low` and `high`; who changed it, when."""

    setting: str
    label: str
    unit: str
    requested: Number
    effective: Number
    default: Number
    low: Number
    high: Number
    who: str | None
    at: float | None


class Settings(Answer):
    """The first 300 of `count` settings, in the order of the file."""

    settings: list[Setting]
    count: int


class Need(Answer):
    """A thing that a meter needs, how much it weighs, and what is so: s of silence, V, dB, percent, days."""

    kind: str
    weight: int
    value: Number | None


class UpkeepOf(Answer):
    """How a meter is kept up: battery in its unit, RSSI in dBm, SNR and link margin in dB, loss in percent of a day."""

    tag: str
    name: str
    area: str
    node: str | None
    battery: Number | None
    battery_unit: str
    battery_low: Number | None
    rssi: Number | None
    snr: Number | None
    spreading_factor: int | None
    margin: Number | None
    loss: Number | None
    heard: float | None
    calibration_due: float | None
    needs: list[Need]


class Upkeep(Answer):
    """What meters need, worst first, 300 of `count` at once; `of` meters were looked at; `needs` counts each kind."""

    meters: list[UpkeepOf]
    count: int
    of: int
    needs: dict[str, int]


class Message(Answer):
    """A message set aside, its first bytes as text, why, and how long it is."""

    id: int
    at: float
    reason: str
    detail: str
    topic: str
    node: str | None
    message: str
    bytes: int


class Aside(Answer):
    """Messages set aside, oldest first; whether there are more beyond the last id."""

    messages: list[Message]
    more: bool


class Log(Answer):
    """The newest lines of the log, oldest first."""

    lines: list[dict[str, Any]]


class Problems(Answer):
    """What is wrong with the site's files, each with file, line and cure."""

    problems: list[str]


class Reloaded(Answer):
    """What the reload has brought: the site's generation, and what waits or is away."""

    generation: int
    map_fingerprint: str
    waits_for_restart: list[str]
    data: str
    listeners_away: list[ListenerAway]
    pages_away: str | None


class Replayed(Answer):
    """What became of messages taken once more: shown, into the history only, known already, refused by reason."""

    shown: int
    late: int
    known: int
    refused: dict[str, int]
