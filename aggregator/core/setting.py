"""Settings: numbers of the site that plant software and people may change, within declared limits.

    requested   what was asked for last, and what the file says before that; kept over restarts
    effective   what holds: the requested value, brought into the limits where the file has since drawn them closer

A value outside the limits is refused and changes nothing. Whoever asks for what holds already changes nothing either,
so that a request that is sent again does nothing twice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from aggregator.core.encoding import ItemCodec
from aggregator.core.errors import AggregatorError, Place
from aggregator.core.keeping import SITE
from aggregator.core.outbox import Note, Outbox
from aggregator.core.reading import Now, Value


class OutsideLimits(AggregatorError):
    """A setting cannot be set to that; the message says what it may be."""


@dataclass(frozen=True, slots=True)
class Setting:
    """A number of the site as declared, all of it in `unit`."""

    name: str
    unit: str
    label: str
    low: float
    high: float
    default: float
    place: Place = field(default=Place(""), compare=False)

    @property
    def limits(self) -> str:
        """The limits in words: `100 to 900 m3/h`."""
        return f"{self.low:g} to {self.high:g} {self.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody asked a setting to be, and when (UTC s)."""

    value: float
    who: str
    at: float


class Settings:
    """All settings of a site. What is to be kept goes into `outbox`."""

    def __init__(self, declared: Iterable[Setting], outbox: Outbox) -> None:
        self.declared = {each.name: each for each in declared}
        self.asked: dict[str, Asked] = {}  # those that stand otherwise than the file has them
        self._outbox = outbox

    def requested(self, name: str) -> float:
        """What was asked for last, in the setting's unit."""
        asked = self.asked.get(name)
        return self.declared[name].default if asked is None else asked.value

    def effective(self, name: str) -> float:
        """What holds, in the setting's unit."""
        setting = self.declared[name]
        return min(max(self.requested(name), setting.low), setting.high)

    def wanted(self, name: str, value: Value | bool | None, codec: ItemCodec) -> float:
        """The setting's value for what was written into registers, in the item's unit. Raises OutsideLimits.

        A limit counts as it stands in those registers: 0.1 is a little more than that in a float32, and is no excess.
        """
        setting = self.declared[name]
        if value is None or isinstance(value, str):
            raise OutsideLimits(f"{name} must be a number, {setting.limits}.")
        own = codec.conversion.inverse().value(value)
        registers = codec.encode(own)[0]
        own = next((limit for limit in (setting.low, setting.high) if codec.encode(limit)[0] == registers), own)
        self.check(name, own)
        return own

    def check(self, name: str, value: float) -> None:
        """Raise OutsideLimits where a setting may not be that."""
        setting = self.declared[name]
        if not setting.low <= value <= setting.high:
            raise OutsideLimits(f"{name} may be {setting.limits}, not {value:g}.")

    def change(self, name: str, value: float | None, who: str, now: Now) -> list[Note]:
        """Have a setting be `value`, or what the file says again. Raises OutsideLimits, changing nothing."""
        setting, before = self.declared[name], self.requested(name)
        if value is not None:
            self.check(name, value)
        wanted = setting.default if value is None else value
        if wanted == before and (value is not None or name not in self.asked):
            return []
        if value is None:
            del self.asked[name]
        else:
            self.asked[name] = Asked(value, who, now.utc)
        self._outbox.state(SITE, _kept_name(name), self._kept(name))
        facts = {"setting": name, "old": before, "new": wanted, "unit": setting.unit}
        return [self._outbox.event("setting changed", None, now, facts, who=who)]

    def _kept(self, name: str) -> dict[str, object] | None:
        asked = self.asked.get(name)
        if asked is None:
            return None
        return {"value": asked.value, "unit": self.declared[name].unit, "who": asked.who, "at": asked.at}

    def memory(self) -> dict[str, object]:
        """All that must outlive a restart; `restore` takes it back."""
        return {_kept_name(name): self._kept(name) for name in self.asked}

    def restore(self, kept: Mapping[str, object], now: Now) -> list[Note]:
        """Stand as before a restart. A value of another unit is forgotten; one outside the limits is told."""
        notes = []
        for name, setting in self.declared.items():
            match kept.get(_kept_name(name)):
                case {"value": int() | float() as value, "unit": setting.unit, "who": str() as who, "at": at}:
                    if math.isfinite(value) and isinstance(at, int | float):
                        self.asked[name] = Asked(value, who, at)
            if self.effective(name) != self.requested(name):
                facts = {"setting": name, "requested": self.requested(name), "effective": self.effective(name)}
                notes.append(self._outbox.event("setting outside its limits", None, now, facts, warning=True))
        return notes


def _kept_name(name: str) -> str:
    return f"setting {name}"
