"""What a meter and its node need from whoever maintains them: batteries, radio, silence, stuck values, calibration.

Radio: a receiver still hears a frame whose signal stands so many dB below the noise, the more the slower the frame is
sent. What the last frame had to spare is its link margin.

    spreading factor    7      8      9      10     11     12
    least SNR, dB      -7.5  -10    -12.5  -15    -17.5  -20       SX1276 data sheet, table 13

A margin says nothing where the signal is strong: beyond some 10 dB over the noise a receiver tells no difference.
"""

from __future__ import annotations

from dataclasses import dataclass

from aggregator.core.meter import MeterState
from aggregator.core.reading import Now, Reason

LEAST_SNR = {7: -7.5, 8: -10.0, 9: -12.5, 10: -15.0, 11: -17.5, 12: -20.0}  # dB
THIN_MARGIN = 5.0  # dB; common practice, no source: what weather and a parked lorry take away
MUCH_LOSS = 10.0  # percent of a day's uplinks; common practice, no source
DAY = 86400.0
SOON = 30 * DAY  # s before a calibration is due
# How much each need weighs: what keeps a meter from being seen at all comes before what will do so one day.
NO_NODE, SILENT, BATTERY, OVERDUE, STUCK, LINK, LOSS, DUE_SOON = 95, 90, 70, 60, 50, 40, 30, 10


@dataclass(frozen=True, slots=True)
class Need:
    """One thing that a meter needs: of which kind, how much it weighs, and what is so."""

    kind: str
    weight: int
    value: float | None  # s of silence, V, dB, percent, days


@dataclass(frozen=True, slots=True)
class Upkeep:
    """How a meter is kept up: battery in its field's unit, radio in dBm and dB, loss in percent, times in UTC s."""

    tag: str
    name: str
    area: str
    node: str | None
    battery: float | None
    battery_unit: str
    battery_low: float | None
    rssi: float | None
    snr: float | None
    spreading_factor: int | None
    margin: float | None
    loss: float | None
    heard: float | None
    calibration_due: float | None
    needs: list[Need]

    @property
    def weight(self) -> int:
        """How much the meter needs somebody: the heaviest need, and a little for each other one."""
        weights = sorted((need.weight for need in self.needs), reverse=True)
        return (weights[0] + len(weights) - 1) if weights else 0


def margin_of(snr: float | None, spreading_factor: float | None) -> float | None:
    """The dB that a frame had to spare, None where nobody says how it was heard.

    >>> margin_of(-5.0, 12), margin_of(-5.0, 7), margin_of(None, 7)
    (15.0, 2.5, None)
    """
    least = LEAST_SNR.get(int(spreading_factor)) if spreading_factor is not None else None
    return None if snr is None or least is None else snr - least


def upkeep_of(state: MeterState, now: Now) -> Upkeep:
    """How one meter is kept up, and what it needs."""
    meter, radio, age = state.meter, state.radio, state.age(now.monotonic)
    battery = meter.profile.battery
    field = meter.profile.fields[battery] if battery is not None else None
    charge = state.readings[battery].value if battery is not None and state.is_of_now(battery) else None
    margin, loss = margin_of(radio.snr, radio.spreading_factor), state.sequence.loss.over_a_day()
    return Upkeep(
        meter.tag,
        meter.name,
        meter.area,
        state.node,
        charge if isinstance(charge, int | float) else None,
        field.unit if field else "",
        field.low_below if field else None,
        radio.rssi,
        radio.snr,
        int(radio.spreading_factor) if radio.spreading_factor is not None else None,
        margin,
        loss,
        None if age is None else now.utc - age,
        meter.calibration_due,
        list(_needs(state, now, age, charge, margin, loss)),
    )


def _needs(
    state: MeterState, now: Now, age: float | None, charge: object, margin: float | None, loss: float | None
) -> list[Need]:
    found = []
    if state.node is None:
        found.append(Need("no node", NO_NODE, None))
    elif age is None or state.reasons & Reason.STALE:
        found.append(Need("silent" if age is not None else "never heard", SILENT, age))
    if state.reasons & Reason.LOW_BATTERY and isinstance(charge, int | float):
        found.append(Need("battery low", BATTERY, charge))
    if state.reasons & Reason.STUCK:
        found.append(Need("stuck", STUCK, None))
    if margin is not None and margin < THIN_MARGIN:
        found.append(Need("weak link", LINK, margin))
    if loss is not None and loss > MUCH_LOSS:
        found.append(Need("uplinks lost", LOSS, loss))
    due = state.meter.calibration_due
    if due is not None and due - now.utc < SOON:
        days = (due - now.utc) / DAY
        late = days <= 0
        found.append(Need("calibration overdue" if late else "calibration due", OVERDUE if late else DUE_SOON, days))
    return found
