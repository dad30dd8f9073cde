"""The sample site: what it promises to those who learn from it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from aggregator.config.configuration import Configuration
from aggregator.config.files import FILES
from aggregator.config.keys import Keys
from aggregator.config.schema import schema_text
from aggregator.core.address_map import Shows
from aggregator.core.alarm import Kind
from aggregator.core.alarm_doubts import alarm_doubts
from aggregator.core.profile import Binary, Response

FOLDER = Path(__file__).parents[2] / "config"
KINDS = {"site.yaml": "site", "meters.yaml": "meters", "map.yaml": "map"}
SAMPLES = sorted(path.relative_to(FOLDER).as_posix() for path in FOLDER.rglob("*.yaml"))


def kind_of(name: str) -> str:
    """The kind of file that a file of the sample is."""
    return "rehearsal" if name.startswith("rehearsals/") else KINDS.get(name, "profile")


PLAIN_WORDS = ("tag:yaml.org,2002:bool", "tag:yaml.org,2002:timestamp")


class Editor(yaml.SafeLoader):
    """Reads YAML as the editors do that use the schemas: version 1.2, where yes, no and dates are plain words."""


Editor.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in resolvers if tag not in PLAIN_WORDS]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


def with_text_keys(value: Any) -> Any:
    """JSON has no other keys than text."""
    if isinstance(value, dict):
        return {str(key): with_text_keys(each) for key, each in value.items()}
    return [with_text_keys(each) for each in value] if isinstance(value, list) else value


def keys_of(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for key, each in value.items():
            yield str(key)
            yield from keys_of(each)
    elif isinstance(value, list):
        for each in value:
            yield from keys_of(each)


@pytest.mark.parametrize("name", SAMPLES)
def test_an_editor_underlines_nothing_in_the_sample(name: str) -> None:
    document = with_text_keys(yaml.load((FOLDER / name).read_text(encoding="utf-8"), Editor))
    schema = json.loads(schema_text(kind_of(name)))
    assert [error.message for error in jsonschema.Draft202012Validator(schema).iter_errors(document)] == []


@pytest.mark.parametrize("name", SAMPLES)
def test_each_sample_file_names_its_schema_first(name: str) -> None:
    kind = kind_of(name)
    first = (FOLDER / name).read_text(encoding="utf-8").splitlines()[0]
    assert first == f"# yaml-language-server: $schema={'../' if '/' in name else ''}schemas/{kind}.schema.json"


@pytest.mark.parametrize("kind", FILES)
def test_the_schemas_beside_the_sample_are_those_of_the_program(kind: str) -> None:
    assert (FOLDER / "schemas" / f"{kind}.schema.json").read_text(encoding="utf-8") == schema_text(kind)


def test_the_sample_shows_every_key_there_is() -> None:
    shown = {key for name in SAMPLES for key in keys_of(yaml.load((FOLDER / name).read_text("utf-8"), Editor))}
    commented = {
        line.split("#", 1)[1].split(":")[0].strip()
        for line in (FOLDER / "site.yaml").read_text("utf-8").splitlines()
        if line.strip().startswith("#") and ":" in line
    }
    in_prose = {"file"}  # of `password`, of which only one form can stand in the file
    # map.frozen.yaml is written by a command, and nobody needs an example of its keys.
    models = [model for model in Keys.__subclasses__() if model.__module__ != "aggregator.config.frozen"]
    known = {field.alias or name for model in models for name, field in model.model_fields.items()}
    assert known - shown - {each.strip("# -") for each in commented} - in_prose == set()


def test_the_sample_has_many_meters_and_every_kind_of_payload(sample: Configuration) -> None:
    profiles = {meter.profile.name: meter.profile for meter in sample.declared.meters}
    payloads = [payload for profile in profiles.values() for payload in profile.payloads.values()]
    assert len(sample.declared.meters) >= 40
    assert len(profiles) >= 6
    assert any(not profile.payloads for profile in profiles.values())
    assert any(isinstance(payload, Binary) for payload in payloads)
    assert {len(payload.parts) for payload in payloads if isinstance(payload, Response)} == {3, 5}


def test_every_meter_is_placed(sample: Configuration) -> None:
    placed = {block.tag for block in sample.declared.devices[0].blocks}
    assert {meter.tag for meter in sample.declared.meters} <= placed


def test_a_total_is_never_a_float32(sample: Configuration) -> None:
    shown = [
        entry.item.codec.encoding.type
        for device in sample.declared.devices
        for entry in device.entries()
        if entry.item.shows is Shows.VALUE and entry.item.of == "volume" and entry.item.codec
    ]
    assert set(shown) == {"float64", "uint32", "uint64", "int64"}


RECOMMENDED = {"flow": 0.05, "level": 0.05, "pressure": 0.02, "temperature": 0.01}
LEVELS = (Kind.LOW_LOW, Kind.LOW, Kind.HIGH, Kind.HIGH_HIGH, Kind.DEVIATION)


def test_its_deadbands_begin_where_they_are_recommended_to(sample: Configuration) -> None:
    """As parts of the operating range: ISA-18.2 and EEMUA 191, from memory."""
    meters = {meter.tag: meter for meter in sample.declared.meters}
    held = 0
    for alarm in sample.declared.alarms.alarms:
        if alarm.index is None or alarm.kind not in LEVELS:
            continue
        field = meters[alarm.tag].profile.fields[alarm.index]
        if field.name in RECOMMENDED:
            held += 1
            assert alarm.deadband >= RECOMMENDED[field.name] * (field.high - field.low), alarm.key
    assert held >= 3


def test_none_of_its_alarms_chatters_and_no_highest_gas_alarm_is_delayed(sample: Configuration) -> None:
    declared = sample.declared
    assert alarm_doubts(declared.meters, declared.alarms.alarms) == []
    assert any(alarm.kind is Kind.HIGH_HIGH for alarm in declared.alarms.alarms)


def test_the_second_device_has_the_other_order_and_integers_only(sample: Configuration) -> None:
    items = [entry.item for entry in sample.declared.devices[1].entries() if entry.item.shows is Shows.VALUE]
    codecs = [item.codec for item in items if item.codec]
    assert len(codecs) == len(items) > 20
    assert {codec.encoding.word_order.value for codec in codecs} == {"low-first"}
    assert not any(codec.encoding.is_float for codec in codecs)
