"""The models and the JSON Schemas that editors use say the same."""

from __future__ import annotations

import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Union, get_args, get_origin

import jsonschema
import pytest
import yaml
from pydantic import BaseModel

from aggregator.config.files import FILES, schema_of
from aggregator.config.keys import Keys

GOOD = Path(__file__).parent / "good"
GOOD_FILES = [
    ("site", "site.yaml"),
    ("meters", "meters.yaml"),
    ("map", "map.yaml"),
    ("profile", "profiles/flow.yaml"),
    ("profile", "profiles/methane.yaml"),
]


class EditorLoader(yaml.SafeLoader):
    """Reads YAML as editors do, by version 1.2 [10.3]: `yes` and `no` are plain words there."""


EditorLoader.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in resolvers if tag != "tag:yaml.org,2002:bool"]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


def read_as_an_editor(file: str) -> Any:
    return as_json(yaml.load((GOOD / file).read_text(encoding="utf-8"), Loader=EditorLoader))


def as_json(value: Any) -> Any:
    """A YAML value as an editor's schema check sees it: keys are text."""
    if isinstance(value, dict):
        return {str(key): as_json(each) for key, each in value.items()}
    return [as_json(each) for each in value] if isinstance(value, list) else value


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    if get_origin(annotation) in (list, dict, Union, types.UnionType):
        for each in get_args(annotation):
            yield from models_in(each)


def every_model(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    yield model
    for field in model.model_fields.values():
        for inner in models_in(field.annotation):
            yield from every_model(inner)


def schema_for(model: type[BaseModel], whole: dict[str, Any]) -> dict[str, Any]:
    """A model's own schema inside that of its file; where a short form is allowed, the one of its keys."""
    found: dict[str, Any] = whole.get("$defs", {}).get(model.__name__, whole)
    return next((each for each in found.get("anyOf", []) if "properties" in each), found)


@pytest.mark.parametrize("kind", FILES)
def test_each_schema_is_a_valid_one(kind: str) -> None:
    schema = schema_of(kind)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize(("kind", "file"), GOOD_FILES)
def test_the_good_site_as_an_editor_reads_it_satisfies_its_schema(kind: str, file: str) -> None:
    jsonschema.Draft202012Validator(schema_of(kind)).validate(read_as_an_editor(file))


@pytest.mark.parametrize(("kind", "file"), GOOD_FILES)
def test_a_schema_refuses_an_unknown_key(kind: str, file: str) -> None:
    validator = jsonschema.Draft202012Validator(schema_of(kind))
    assert not validator.is_valid({**read_as_an_editor(file), "nmae": "x"})


@pytest.mark.parametrize("kind", FILES)
def test_models_and_schemas_know_the_same_keys(kind: str) -> None:
    whole = schema_of(kind)
    for model in every_model(FILES[kind]):
        known = {field.alias or name for name, field in model.model_fields.items()}
        needed = {field.alias or name for name, field in model.model_fields.items() if field.is_required()}
        schema = schema_for(model, whole)
        assert set(schema["properties"]) == known, model
        assert set(schema.get("required", [])) == needed, model
        assert schema["additionalProperties"] is False, model


@pytest.mark.parametrize("kind", FILES)
def test_every_model_is_closed_and_never_changes(kind: str) -> None:
    for model in every_model(FILES[kind]):
        assert issubclass(model, Keys)
        assert model.model_config["extra"] == "forbid"
        assert model.model_config["frozen"] is True


def test_the_good_site_uses_every_key_but_those_that_exclude_others() -> None:
    """What is checked above on the good site is thereby checked of every key."""
    used = {key for _, file in GOOD_FILES for key in all_keys(read_as_an_editor(file))}
    known = {
        field.alias or name
        for kind, whole in FILES.items()
        if kind != "rehearsal"  # those of the sample are held to use every key
        for model in every_model(whole)
        for name, field in model.model_fields.items()
    }
    # tests/demo/test_sample.py holds the sample site to using every key, these among them.
    in_the_sample = {"total_of", "can_show", "fastest", "stuck_after", "low_below", "counts", "wraps_at", "faults"}
    in_the_sample |= {"allow", "may", "clients_per_host", "requests_per_second"}
    in_the_sample |= {"alarms", "usual_alarms_confirmed_by", "priority", "latches", "delay", "off_delay", "samples"}
    in_the_sample |= {"off_samples", "again_after", "message", "action", "high_high", "high", "low", "low_low", "when"}
    in_the_sample |= {"rising", "falling", "deviates", "deadband", "fail_safe", "may_be", "groups", "group", "members"}
    in_the_sample |= {"vote", "needed", "silent", "suppressions", "suppression", "areas", "while", "meter", "below"}
    in_the_sample |= {"above", "average_of", "covered_of", "highest_of", "over", "covers_at_least", "mixture_of", "gas"}
    in_the_sample |= {"lel", "follow_files", "agrees_within"}
    in_the_sample |= {"time", "part", "of", "grades", "grade_of", "reasons_of", "flag"}
    in_the_sample |= {"session", "counter_bits", "each", "node_clock", "not_before", "oldest", "ahead"}
    in_the_sample |= {"wired", "stand_in", "unread", "count"}
    in_the_sample |= {"unacknowledged", "alarm_state", "alarm_sequence", "alarm_peak", "setpoint_of", "shelve"}
    in_the_sample |= {"command", "alarm_blocks"}
    in_the_sample |= {"serial", "baud", "parity", "stop_bits", "rs485", "turnaround"}
    in_the_sample |= {"settings", "setting", "default"}
    in_the_sample |= {"records", "decoded_records", "age"}
    in_the_sample |= {"web", "names", "open_to_look", "calibration_due"}
    in_the_sample |= {"client_ca", "roles", "without_role"}
    assert known - used == {"certificate", "key", "file"} | in_the_sample


def all_keys(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        yield from (str(key) for key in value)
        for each in value.values():
            yield from all_keys(each)
    if isinstance(value, list):
        for each in value:
            yield from all_keys(each)
