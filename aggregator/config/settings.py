"""Settings from meters.yaml: limits and defaults in their own units."""

from __future__ import annotations

import math

from aggregator.config import units
from aggregator.config.document import Document, Steps
from aggregator.config.findings import Findings
from aggregator.config.meter_keys import MetersKeys, SettingKeys
from aggregator.config.ranges import range_of
from aggregator.config.scalars import Wrong
from aggregator.core.setting import Setting


def build_settings(keys: MetersKeys, file: Document, findings: Findings) -> dict[str, Setting]:
    """Every setting by its name."""
    return {name: _setting(name, each, file, findings) for name, each in keys.settings.items()}


def _setting(name: str, keys: SettingKeys, file: Document, findings: Findings) -> Setting:
    steps: Steps = ("settings", name)
    low, high = range_of(keys.may_be, keys.unit, file, (*steps, "may_be"), findings) or (-math.inf, math.inf)
    try:
        default = units.quantity(keys.default, keys.unit)
    except Wrong as wrong:
        findings.take(wrong, file, *steps, "default")
        default = low
    setting = Setting(name, keys.unit, keys.label or name, low, high, default, file.key_place(*steps))
    if not low <= default <= high:
        what = f"the default {keys.default} of {name} lies outside its own limits, {setting.limits}"
        findings.wrong(file.place(*steps, "default"), what, "Move one of them")
    return setting
