"""The interface about links and nodes: what is told of them to whom, and what may be sent."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from aggregator.core.link import Link
from aggregator.web.people import Role
from tests.core.conftest import NODE
from tests.web.conftest import House

Build = Callable[..., House]
LINKS = "/api/v1/links"
FLOW = {"flow": 12.5}
STRANGER = "70b3d57ed0000009"
# LoRa Alliance TR005, the example with its checksum (from memory).
QR = "LW:D0:1122334455667788:AABBCCDDEEFF0011:AABB1122:OAABBCCDDEEFF:SYYWWNNNNNN:PFOOBAR:CAF2C"
JPEG = b"\xff\xd8\xff\xe0" + b"\x00" * 60  # ISO/IEC 10918-1: how a JPEG begins, from memory


def hear(home: House, node: str) -> None:
    """One uplink of a node that sits nowhere."""
    home.plant.send(0, 1.0)
    frame = {"counter": 1, "port": 2}
    message = json.dumps({"device": {"eui": node}, "frame": frame, "received_at": home.now.utc, "decoded": FLOW})
    home.site.receive("lns/a/up", message.encode(), retained=False, now=home.now)


async def told(client: httpx.AsyncClient, path: str = "", **query: object) -> dict[str, object]:
    answer = await client.get(f"{LINKS}{path}", params=query)  # type: ignore[arg-type]
    assert answer.status_code == 200, answer.text
    found: dict[str, object] = answer.json()
    return found


def tags(found: Mapping[str, object]) -> list[str]:
    meters = found["meters"]
    assert isinstance(meters, list)
    return [each["tag"] for each in meters]


async def test_how_far_the_site_is_comes_by_parts_and_by_what_is_searched(house: Build) -> None:
    home = house()
    home.plant.send(1, 1.0)
    async with home.with_key(Role.LOOK) as program:
        assert tags(await told(program)) == ["AT-101", "AT-102", "AT-103"]
        part = await told(program, "", **{"from": 1, "most": 1})
        assert (tags(part), part["count"]) == (["AT-102"], 3)
        assert tags(await told(program, stage="not verified")) == ["AT-102"]
        assert tags(await told(program, find="at-103")) == ["AT-103"]
        assert tags(await told(program, find=home.site.states["AT-101"].node)) == ["AT-101"]
        found = await told(program, find="nowhere")
        assert (tags(found), found["count"]) == ([], 0)
        for wrong in ({"most": 0}, {"from": -1}, {"stage": "far"}):
            assert (await program.get(LINKS, params=wrong)).status_code == 422


async def test_who_looks_sees_progress_and_records_and_changes_nothing(house: Build) -> None:
    home = house()
    async with home.with_key(Role.LOOK) as looker, home.with_key(Role.OPERATE) as operator:
        assert (await told(looker, "/AT-101"))["by_file"] is True
        for client in (looker, operator):
            for act in ("link", "swap-node"):
                assert (await client.post(f"{LINKS}/AT-101/{act}", json={"node": STRANGER})).status_code == 403
            for act in ("swap-meter", "verify", "unlink"):
                assert (await client.post(f"{LINKS}/AT-101/{act}", json={})).status_code == 403
            assert (await client.put(f"{LINKS}/AT-101/photo", content=JPEG)).status_code == 403
            assert (await client.get("/api/v1/nodes")).status_code == 403
            assert (await client.get(f"/api/v1/nodes/{STRANGER}")).status_code == 403
            assert (await client.post("/api/v1/nodes/code", json={"node": QR})).status_code == 403
    assert {name for name, _ in home.asked} == {"links of"}


async def test_a_code_is_read_and_where_its_node_sits_is_told(house: Build) -> None:
    home = house()
    async with home.with_key(Role.ENGINEER) as program:

        async def read(text: str) -> httpx.Response:
            return await program.post("/api/v1/nodes/code", json={"node": text, "tag": "AT-101"})

        said = (await read(QR)).json()
        assert (said["node"], said["serial"], said["join"]) == ("aabbccddeeff0011", "YYWWNNNNNN", "1122334455667788")
        assert (said["sits_on"], said["heard"]) == (None, None)
        assert (await read(str(home.site.states["AT-102"].node))).json()["sits_on"] == "AT-102"
        wrong = await read(QR.replace("AF2C", "AF2D"))
        assert wrong.status_code == 409
        assert "checksum does not fit" in wrong.json()["wrong"]


async def test_acts_carry_who_and_only_what_was_said(house: Build) -> None:
    home = house()
    async with home.with_key(Role.ENGINEER) as program:
        body = {"node": STRANGER, "place": "north wall"}
        assert (await program.post(f"{LINKS}/AT-101/link", json=body)).status_code == 200
        (name, request) = home.asked[-1]
        assert name == "link"
        assert request == {"tag": "AT-101", "shows": {}, "who": "engineer", **body}
        shows = {"flow": {"value": 12.5, "unit": "m3/h"}}
        await program.post(f"{LINKS}/AT-101/verify", json={"shows": shows})
        assert home.asked[-1] == ("verify", {"tag": "AT-101", "shows": shows, "who": "engineer"})
        counters = {"volume": {"new": 3.0}}
        await program.post(f"{LINKS}/AT-101/swap-meter", json={"counters": counters})
        assert home.asked[-1][1]["counters"] == {"volume": {"old": None, "new": 3.0}}


@pytest.mark.parametrize(
    "body",
    [
        {"photo": "/etc/hostname"},  # a path of the gateway is nothing that a page may name
        {"place": "x" * 101},
        {"shows": {"flow": {"value": "much", "unit": "m3/h"}}},
        {"shows": {"flow": {"value": 1.0}}},
    ],
)
async def test_what_is_not_asked_for_is_refused(house: Build, body: dict[str, object]) -> None:
    home = house()
    async with home.with_key(Role.ENGINEER) as program:
        assert (await program.post(f"{LINKS}/AT-101/verify", json=body)).status_code == 422
    assert home.asked == []


async def test_a_photo_goes_through_a_file_that_is_gone_afterwards(house: Build, tmp_path: Path) -> None:
    home = house()
    seen: list[bytes] = []
    ask = home.ask

    async def look(name: str, request: Mapping[str, object]) -> Mapping[str, object]:
        if name == "verify":
            seen.append(await asyncio.to_thread(Path(str(request["photo"])).read_bytes))
        return await ask(name, request)

    home.server.app.router.routes[0].app.state.offer = replace(home.offer, ask=look)  # type: ignore[attr-defined]
    async with home.with_key(Role.ENGINEER) as program:
        answer = await program.put(f"{LINKS}/AT-101/photo", content=JPEG)
        assert (answer.status_code, seen) == (200, [JPEG])
        large = await program.put(f"{LINKS}/AT-101/photo", content=b"\xff" * (4 * 1024 * 1024 + 1))
        assert large.status_code == 413
        assert await asyncio.to_thread(lambda: [each.name for each in tmp_path.glob("*.part")]) == []


async def test_only_a_photo_on_record_is_served(house: Build, tmp_path: Path) -> None:
    home = house()
    folder = tmp_path / "photos"
    folder.mkdir()
    for name in ("0011223344556677.jpg", "ffffffffffffffff.jpg"):
        (folder / name).write_bytes(JPEG)
    at = home.now.utc
    made = Link(1, "AT-101", NODE, at, at, "fitter", by_file=True, photo="0011223344556677.jpg")
    home.site.linking.links.keep(made)
    async with home.with_key(Role.LOOK) as program:
        photo = await program.get(f"{LINKS}/AT-101/photos/0011223344556677.jpg")
        assert (photo.status_code, photo.content) == (200, JPEG)
        assert photo.headers["content-type"] == "image/jpeg"
        for other in ("ffffffffffffffff.jpg", "..%2Fpeople.json", "%2e%2e%2fpeople.json", "none"):
            assert (await program.get(f"{LINKS}/AT-101/photos/{other}")).status_code == 404
        assert (await program.get(f"{LINKS}/AT-102/photos/0011223344556677.jpg")).status_code == 404


async def test_nodes_come_by_parts_with_the_meters_they_may_sit_on(house: Build) -> None:
    home = house()
    for number in range(3):
        hear(home, f"70b3d57ed00001{number:02d}")
    async with home.with_key(Role.ENGINEER) as program:
        found = (await program.get("/api/v1/nodes", params={"from": 1, "most": 1})).json()
        assert ([each["node"] for each in found["nodes"]], found["count"]) == (["70b3d57ed0000101"], 3)
        (fit, *_) = found["nodes"][0]["fits"]
        assert fit["meters_without_node"] == []  # the file links them all
        one = (await program.get("/api/v1/nodes/70b3d57ed0000101")).json()
        assert one["uplinks"][0]["decoded"] == FLOW
        missing = await program.get(f"/api/v1/nodes/{STRANGER}")
        assert missing.status_code == 409
        assert "was not heard" in missing.json()["wrong"]
