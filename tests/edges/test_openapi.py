"""The interface as it describes itself, held against schemathesis, and what the role of a key opens.

Schemathesis (4 or later) asks a real service what the description allows, and holds each answer against it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import (
    content_type_conformance,
    not_a_server_error,
    response_schema_conformance,
    status_code_conformance,
)
from schemathesis.core.result import Err, Ok

from aggregator.web.people import People, Role

if TYPE_CHECKING:
    from tests.edges.conftest import Service

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
EXAMPLES = 12  # of each operation; more find more: `EXAMPLES = 300` was tried by hand
ENDLESS = "/live"  # a stream that goes on; it has a test of its own
PASSWORD = "correct horse battery"


class Served:
    """A running site with pages, and keys of people with roles."""

    def __init__(self, folder: Path, url: str) -> None:
        self.url = url
        self.people = People(folder / "data")

    def key(self, role: Role) -> Mapping[str, str]:
        """The header of a program that has a key of somebody with this role."""
        if self.people.find(role.words) is None:
            self.people.add(role.words, role, PASSWORD)
        return {"authorization": f"Bearer {self.people.add_key(role.words)}"}

    def client(self, role: Role) -> httpx.Client:
        return httpx.Client(base_url=f"{self.url}api/v1", headers=self.key(role), timeout=20)


@pytest.fixture
def served(site: Callable[..., Path], service: Callable[..., Service], until: Callable[..., Any]) -> Served:
    alarms = "{field: flow, high: 100 m3/h, deadband: 5 m3/h, priority: high, may_be: 50 .. 200 m3/h}"
    folder = site(alarms=alarms)
    with (folder / "site.yaml").open("a") as file:
        file.write("web: {at: 127.0.0.1:0}\n")
    running = service(folder)
    return Served(folder, until(lambda: running.log("pages served"), what="the pages")[0]["at"])


def test_every_answer_is_as_the_interface_describes_it(served: Served) -> None:
    key = served.key(Role.ENGINEER)
    described = schemathesis.openapi.from_url(f"{served.url}api/v1/openapi.json", headers=key)
    found = list(described.get_all_operations())
    assert [each.err() for each in found if isinstance(each, Err)] == []
    operations = [each.ok() for each in found if isinstance(each, Ok)]
    tried = {
        f"{each.method.upper()} {each.path}": statuses_of(each, key)
        for each in operations
        if not each.path.endswith(ENDLESS)
    }
    assert len(tried) >= 20
    assert all(tried.values())
    assert {200, 404, 409} <= set().union(*tried.values()), tried


def statuses_of(operation: Any, key: Mapping[str, str]) -> set[int]:
    """Try an operation with what its description allows. Returns with which statuses it answered."""
    statuses: set[int] = set()

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        derandomize=True,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def holds(case: schemathesis.Case[Any]) -> None:
        statuses.add(case.call_and_validate(headers=dict(key), checks=CHECKS, timeout=20).status_code)

    holds()
    return statuses


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 422),
        (b"{", 422),
        (b"[]", 422),
        (b"\xff\xfe", 422),
        (b'{"tag": "FT-101", "alarm": "flow high", "value": NaN}', 422),
        (b'{"tag": "FT-101", "alarm": "flow high", "value": 1e999}', 422),
        (b'{"tag": "FT-101", "alarm": "flow high", "value": 100, "more": 1}', 422),
        (b"[" * 30000, 400),
        (b'{"tag": "\\ud800", "alarm": "flow high", "value": 100}', 422),
    ],
)
def test_a_body_that_is_none_is_refused_with_a_sentence(served: Served, body: bytes, status: int) -> None:
    with served.client(Role.ENGINEER) as program:
        answer = program.post("/alarms/setpoint", content=body, headers={"content-type": "application/json"})
    assert answer.status_code == status, answer.text
    assert set(answer.json()) == {"wrong"}
    assert len(answer.json()["wrong"]) < 500


def test_a_stream_with_a_key_begins_with_what_is_so_and_one_without_is_refused(served: Served) -> None:
    with served.client(Role.LOOK) as program, program.stream("GET", "/live") as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        events = {}
        for line in stream.iter_lines():
            name, _, value = line.partition(": ")
            if name == "event":
                event = value
            elif name == "data":
                events[event] = json.loads(value)
            if {"site", "alarms", "meters"} <= set(events):
                break
    assert events["site"]["meters_total"] == 2
    assert {each["tag"] for each in events["meters"]} == {"FT-101", "FT-102"}
    assert httpx.get(f"{served.url}api/v1/live", headers={"authorization": "Bearer none"}).status_code == 401


def test_what_a_key_may_change_goes_by_the_role_of_whom_it_stands_for(served: Served) -> None:
    acts: dict[str, Any] = {
        "/alarms/silence": (Role.OPERATE, None),
        "/meters/FT-101/test": (Role.OPERATE, {"on": True}),
        "/alarms/setpoint": (Role.ENGINEER, {"tag": "FT-101", "alarm": "flow high", "value": 120.0}),
        "/service/reload": (Role.ENGINEER, None),
    }
    for role in (Role.LOOK, Role.OPERATE, Role.ENGINEER):
        with served.client(role) as program:
            told = {path: program.post(path, json=body).status_code for path, (_, body) in acts.items()}
        assert told == {path: 200 if role >= needed else 403 for path, (needed, _) in acts.items()}
