"""Every answer of the interface, of a site where something has happened, held against the interface's own description.

The description is OpenAPI 3.1, whose schemas are JSON Schema 2020-12; the judge is jsonschema.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from jsonschema import Draft202012Validator

from aggregator.web.people import People, Role
from tests.edges.conftest import node_of

if TYPE_CHECKING:
    from pathlib import Path

    from tests.edges.conftest import Rig

ALARM = (
    "{field: flow, high: 100 m3/h, deadband: 5 m3/h, priority: high, may_be: 50 .. 200 m3/h}, "
    "{field: flow, high_high: 150 m3/h, deadband: 5 m3/h, priority: critical, latches: yes}, "
    "{field: flow, rising: 600 m3/h/min, deadband: 10 m3/h/min, priority: low}"
)
GROUPS = """\
groups:
  - group: points
    alarm: flow high
    members: [FT-101, FT-102]
    vote: {needed: 1, silent: left out, priority: high}
suppressions:
  - suppression: cleaning
    meters: [FT-102]
"""
PASSWORD = "correct horse battery"
PNG = b"\x89PNG\r\n\x1a\n" + b"\x00" * 64  # ISO/IEC 15948 clause 5.2
NOT_JSON = {"/live", "/map/plan.csv", "/map/list.{form}", "/links/{tag}/photos/{name}"}

pytestmark = pytest.mark.peer("mosquitto")


class Program:
    """A program with an engineer's key, which holds each answer against the description and remembers what it asked."""

    def __init__(self, url: str, key: str) -> None:
        self._client = httpx.Client(base_url=f"{url}api/v1", headers={"authorization": f"Bearer {key}"}, timeout=20)
        self._described: Mapping[str, Any] = self._client.get("/openapi.json").json()
        self.asked: set[tuple[str, str]] = set()

    def close(self) -> None:
        self._client.close()

    @property
    def operations(self) -> set[tuple[str, str]]:
        """Every operation that answers with JSON."""
        paths = self._described["paths"]
        return {(method, path) for path, methods in paths.items() for method in methods if path not in NOT_JSON}

    def get(self, path: str, **asked: Any) -> Any:
        return self._held(self._client.get(path, params=asked))

    def post(self, path: str, **asked: Any) -> Any:
        return self._held(self._client.post(path, json=asked or None))

    def put(self, path: str, content: bytes) -> Any:
        return self._held(self._client.put(path, content=content, headers={"content-type": "image/png"}))

    def _held(self, answer: httpx.Response) -> Any:
        assert answer.status_code == 200, answer.text
        method, path = answer.request.method.lower(), answer.url.path.removeprefix("/api/v1")
        template = self._template(path)
        schema = self._described["paths"][template][method]["responses"]["200"]["content"]["application/json"]["schema"]
        told = answer.json()
        whole = {**schema, "components": self._described["components"]}
        wrong = [f"{error.json_path}: {error.message[:200]}" for error in Draft202012Validator(whole).iter_errors(told)]
        assert not wrong, (method, path, wrong)
        self.asked.add((method, template))
        return told

    def _template(self, path: str) -> str:
        """The described path that a path is an instance of; one without variables before one with them."""
        described: list[str] = list(self._described["paths"])
        fits = [each for each in described if re.fullmatch(re.sub(r"\{\w+\}", "[^/]+", each), path)]
        return min(fits, key=lambda each: each.count("{"))


@pytest.fixture
def rig_with_pages(rig: Callable[..., Rig]) -> Rig:
    """Three meters, of which the file links two."""
    return rig(meters=3, linked=2, alarms=ALARM, groups=GROUPS, extra="web: {at: 127.0.0.1:0}\n")


@pytest.fixture
def program(rig_with_pages: Rig, until: Callable[..., Any]) -> Iterator[Program]:
    url = until(lambda: rig_with_pages.service.log("pages served"), what="the pages")[0]["at"]
    people = People(rig_with_pages.folder / "data")
    people.add("engineer", Role.ENGINEER, PASSWORD)
    asking = Program(url, people.add_key("engineer"))
    yield asking
    asking.close()


def test_every_answer_is_described_down_to_its_last_key(
    program: Program, rig_with_pages: Rig, uplink: Callable[..., bytes], until: Callable[..., Any], tmp_path: Path
) -> None:
    rig = rig_with_pages
    look_at_all(program)  # before anything has come
    profile = rig.folder / "profiles" / "gas-point.yaml"
    profile.write_text(profile.read_text().replace("  volume: {", "  volume: {counts: {wraps_at: 10000 m3}, "))
    assert program.post("/service/reload")["generation"] == 1

    for counter, flow in enumerate((20.0, 160.0, 90.0), 1):
        rig.publisher.send(uplink(counter, 0, 300.0 - 60 * counter, flow=flow, volume=100 + counter))
        rig.publisher.send(uplink(counter, 1, 300.0 - 60 * counter, flow=120.0, volume=7))
        rig.publisher.send(uplink(counter, 2, 300.0 - 60 * counter, flow=12.5, volume=50))
    rig.publisher.send(b"no JSON at all")
    until(lambda: rig.accepted() == 6 and program.get("/nodes")["count"] == 1, what="the uplinks")
    rig.client.ask(struct.pack(">BHH", 4, 60000, 2))  # nothing stands there: refused, and told of
    look_at_all(program)
    assert program.get("/meters/FT-101/chart", field="flow", most=1)["buckets"]

    act_on_alarms(program)
    act_on_meters(program)
    act_on_links(program)
    program.post("/service/replay")
    look_at_all(program)
    assert program.asked == program.operations


def act_on_alarms(program: Program) -> None:
    owed = [each["sequence"] for each in program.get("/alarms")["alarms"] if each["owed"]]
    assert program.post("/alarms/acknowledge", sequences=owed)["acknowledged"] == len(owed) > 0
    program.post("/alarms/reset", tag="FT-101", alarm="flow high-high")
    program.post("/alarms/shelve", tag="FT-101", alarm="flow high", lasts=3600, why="being cleaned")
    program.post("/alarms/setpoint", tag="FT-101", alarm="flow high", value=120.0)
    program.post("/alarms/silence")
    program.post("/alarms/suppress", name="cleaning", on=True)
    look_at_all(program)
    program.post("/alarms/unshelve", tag="FT-101", alarm="flow high")
    program.post("/alarms/service", tag="FT-101", alarm="flow high", on=False)


def act_on_meters(program: Program) -> None:
    program.post("/meters/FT-101/test", on=True, why="calibration")
    program.post("/meters/FT-101/substitute", field="flow", value=50.0, lasts=3600, why="as read by hand")
    look_at_all(program)
    program.post("/meters/FT-101/withdraw", field="flow")
    program.post("/meters/FT-101/total", field="volume", total=5000.0, counter=103)


def act_on_links(program: Program) -> None:
    third = node_of(2)
    program.post("/nodes/code", node=f"LW:D0:1122334455667788:{third}:AABB1122:S0042", tag="FT-103")
    look_at_all(program)
    program.post("/links/FT-103/link", node=third, place="north wall", since=0, shows={})
    program.post("/links/FT-103/verify", shows={"flow": {"value": 12.5, "unit": "m3/h"}})
    program.put("/links/FT-103/photo", PNG)
    program.post("/nodes/code", node=third, tag="FT-103")
    look_at_all(program)
    program.post("/links/FT-103/swap-meter", counters={"volume": {"old": 50, "new": 0}})
    program.post("/links/FT-103/swap-node", node="0a1def00000001ff")
    program.post("/links/FT-103/unlink", why="moved")


def look_at_all(program: Program) -> None:
    """Ask for everything that can be looked at."""
    for tag in ("FT-101", "FT-102", "FT-103"):
        for part in ("", "/uplinks", "/places", "/readings"):
            program.get(f"/meters/{tag}{part}")
        for field in ("flow", "volume"):
            program.get(f"/meters/{tag}/chart", field=field)
        program.get(f"/links/{tag}")
    program.get("/alarms", all=True)
    program.get("/map/strip", table="input", **{"from": 0, "to": 200})
    for text in ("30101", "0x64", "FT-101", "flow", "nothing of the kind"):
        program.get("/map/find", text=text)
    for at in ("input:0", "input:100", "input:103", "input:40", "discrete:100", "holding:9000", "input:60000"):
        program.get("/map/register", at=at)
    program.get("/map/block", at="input:100")
    program.get("/map/plan", tag="FT-101")
    program.get("/upkeep", all=True)
    for path in (
        "/meters", "/alarms", "/alarms/figures", "/journal", "/map", "/service", "/clients", "/settings",
        "/upkeep", "/service/aside", "/service/log", "/service/check", "/links", "/nodes",
    ):  # fmt: skip
        program.get(path)
    for each in program.get("/nodes")["nodes"]:
        program.get(f"/nodes/{each['node']}")
