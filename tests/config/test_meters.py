"""Meters: what a file does not say follows from the defaults, then from the reporting interval."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator.config.configuration import load


@pytest.mark.parametrize(
    ("own", "default", "seconds"),
    [
        ("reports_every: 5 min, stale_after: 12 min", "reports_every: 1 h, stale_after: 2 h", 720),
        ("reports_every: 5 min", "reports_every: 1 h, stale_after: 2 h", 7200),
        ("reports_every: 5 min", "reports_every: 1 h", 900),
        ("area: hall", "reports_every: 10 min", 1800),
        ("stale_after: 15 min", "reports_every: 10 min", 900),
    ],
)
def test_a_meter_goes_stale_by_its_own_word_then_the_default_then_three_intervals(
    good_site: Path, own: str, default: str, seconds: float
) -> None:
    meters = "  - {tag: %s, name: x, profile: %s, %s}\n"
    rows = "".join(
        meters % (tag, "flow" if tag.startswith("FT") else "methane", own)
        for tag in ("FT-101", "FT-102", "AT-201", "AT-202", "0301")
    )
    (good_site / "meters.yaml").write_text(f"defaults: {{{default}}}\nmeters:\n{rows}", encoding="utf-8")
    for meter in load(good_site).declared.meters:
        assert meter.stale_after == seconds


def test_a_field_may_have_a_limit_of_its_own(good_site: Path) -> None:
    meter = load(good_site).declared.meters[0]
    names = [field.name for field in meter.profile.fields]
    assert meter.limit(names.index("volume")) == 7200
    assert meter.limit(names.index("flow")) == meter.stale_after == 1200


def test_a_meter_is_in_the_site_s_area_unless_it_says_another(good_site: Path) -> None:
    areas = {meter.tag: meter.area for meter in load(good_site).declared.meters}
    assert areas == {"FT-101": "digesters", "FT-102": "site", "AT-201": "upgrading", "AT-202": "site", "0301": "site"}
