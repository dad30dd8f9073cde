"""A whole folder becomes a site: all of it, quickly, and with nothing read differently from how it was written."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from aggregator.config.configuration import Configuration, load
from aggregator.core.address_map import Table
from aggregator.core.errors import ConfigurationError
from aggregator.core.meter import Meter


@pytest.fixture
def good(good_site: Path) -> Configuration:
    return load(good_site)


def meter(configuration: Configuration, tag: str) -> Meter:
    return next(each for each in configuration.declared.meters if each.tag == tag)


def test_tags_names_and_nodes_stay_as_they_were_written(good: Configuration) -> None:
    assert [each.tag for each in good.declared.meters] == ["FT-101", "FT-102", "AT-201", "AT-202", "0301"]
    assert meter(good, "0301").name == "no"
    assert meter(good, "FT-102").node == "7076940000000012"
    assert meter(good, "AT-201").node == "70b3d57ed0000201"
    assert meter(good, "AT-202").node is None


def test_the_service_part_is_the_site_file(good: Configuration) -> None:
    assert good.declared.name == "Alder Fen biogas works"
    assert good.service.broker.version == "5"
    assert good.service.broker.keeps == 7 * 86400
    assert good.service.listeners[0].tcp == ("127.0.0.1", 5020)
    assert good.service.broker.password is not None
    assert good.service.broker.password.environment == "BROKER_PASSWORD"


def test_a_place_is_known_for_every_meter_profile_envelope_and_block(good: Configuration) -> None:
    declared = good.declared
    places = [each.place for each in declared.meters] + [each.place for each in declared.envelopes]
    places += [each.place for each in declared.devices]
    places += [each.profile.place for each in declared.meters]
    places += [block.place for device in declared.devices for block in device.blocks]
    for place in places:
        assert Path(place.file).is_file()
        assert place.line > 0


def test_a_folder_that_is_not_there_is_one_problem(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError) as caught:
        load(tmp_path / "nowhere")
    assert str(caught.value) == f"{tmp_path}/nowhere:1:1: the folder is not there. Name the site's folder."


def test_an_empty_folder_names_every_file_that_is_missing(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError) as caught:
        load(tmp_path)
    assert [problem.place.short for problem in caught.value.problems] == [
        "map.yaml:1",
        "meters.yaml:1",
        "profiles:1",
        "site.yaml:1",
    ]


@pytest.mark.parametrize(
    "written", ["correct-horse-battery", "[correct-horse-battery]", "{value: correct-horse-battery}"]
)
def test_a_password_in_the_file_is_refused_and_never_shown(good_site: Path, written: str) -> None:
    path = good_site / "site.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("{environment: BROKER_PASSWORD}", written), encoding="utf-8")
    with pytest.raises(ConfigurationError) as caught:
        load(good_site)
    assert caught.value.problems
    assert "horse" not in str(caught.value)
    assert caught.value.__cause__ is None


def test_three_thousand_meters_load_without_comparing_each_with_each(good_site: Path) -> None:
    """The size the project is made for. Nine million comparisons would take many times what is allowed here."""
    write_large_site(good_site, 3000)
    begin = time.process_time()
    configuration = load(good_site)
    assert time.process_time() - begin < 10
    assert len(configuration.declared.meters) == 3000
    assert len(configuration.declared.devices[0].in_table(Table.INPUT)) == 3000


def test_a_map_of_another_site_is_refused_in_a_few_seconds(good_site: Path) -> None:
    """Looking for the nearest of 3 000 tags 3 000 times takes most of a minute."""
    write_large_site(good_site, 3000)
    path = good_site / "map.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("- FT-", "- LT-"), encoding="utf-8")
    begin = time.process_time()
    with pytest.raises(ConfigurationError) as caught:
        load(good_site)
    assert time.process_time() - begin < 20
    assert len(caught.value.problems) == 3000


def write_large_site(site: Path, count: int) -> None:
    tags = [f"FT-{number:04d}" for number in range(count)]
    meters = "".join(
        f"  - tag: {tag}\n    name: Meter {tag}\n    profile: flow\n    node: {number:016x}\n    stale_after: 1 h\n"
        for number, tag in enumerate(tags)
    )
    (site / "meters.yaml").write_text(f"defaults: {{reports_every: 15 min}}\nmeters:\n{meters}", encoding="utf-8")
    layouts = (site / "map.yaml").read_text(encoding="utf-8").split("devices:")[0]
    place = (
        "  - unit: 1\n    place:\n      - layout: flow-point\n        input: {from: 0, every: 20}\n        meters:\n"
    )
    placed = "".join(f"          - {tag}\n" for tag in tags)
    (site / "map.yaml").write_text(f"{layouts}devices:\n{place}{placed}", encoding="utf-8")


def test_a_map_says_which_issue_it_is_or_none(good_site: Path) -> None:
    assert load(good_site).declared.revision == "2027-03"
    file = good_site / "map.yaml"
    file.write_text(file.read_text(encoding="utf-8").replace("revision: 2027-03", ""), encoding="utf-8")
    assert load(good_site).declared.revision == ""
