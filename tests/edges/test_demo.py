"""The demonstration as its user meets it: what stands above the table is typed as it stands, and does what it says."""

from __future__ import annotations

import math
import os
import re
import shlex
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx
import pytest

from aggregator.control import ask
from tests.edges.conftest import free_port

if TYPE_CHECKING:
    from tests.edges.caller import Caller

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
CARBON_DIOXIDE = 1250  # input registers of AT-152 in the sample's map: a float32 in ppm
FREE = "AT-152"
NODE = "0a1def000000012d"
LASTS, SPEED = 90, 300  # s, and how much faster the site's time runs: a node that reports each 10 min does each 2 s


class Demo:
    """A running demonstration and the lines above its table."""

    def __init__(self) -> None:
        self.port, self.pages = free_port(), free_port()
        ports = ("--port", str(self.port), "--pages", str(self.pages))
        self.process = subprocess.Popen(
            [sys.executable, "-m", "aggregator", "demo", *ports, "--speed", str(SPEED), "--lasts", str(LASTS)],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        self.lines: list[str] = []
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if " meters, " in line:  # the counts below the headline
                break
            self.lines.append(line.rstrip("\n"))

    def find(self, pattern: str) -> re.Match[str]:
        found = [match for line in self.lines if (match := re.search(pattern, line))]
        assert len(found) == 1, self.lines
        return found[0]


@pytest.fixture
def demo() -> Iterator[Demo]:
    running = Demo()
    try:
        yield running
    finally:
        running.process.terminate()
        running.process.communicate(timeout=30)


def typed(line: str) -> subprocess.CompletedProcess[str]:
    """Type a line of the headline into a second terminal: variables first, then the command."""
    words = shlex.split(line)
    variables = dict(word.split("=", 1) for word in words if re.match(r"[A-Z_]+=", word))
    return subprocess.run(
        words[len(variables) :],
        env={**os.environ, **variables},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=ROOT,
    )


def printed(heading: str) -> list[str]:
    """The commands that README.md has under a heading."""
    section = README.partition(f"## {heading}\n")[2].partition("\n## ")[0]
    return re.findall(r"^    \.venv/bin/(aggregator .+)$", section, re.MULTILINE)


def ppm(client: Caller) -> float:
    return float(struct.unpack(">f", client.ask(struct.pack(">BHH", 4, CARBON_DIOXIDE, 2))[2:])[0])


def test_the_node_that_sits_nowhere_is_linked_by_the_line_above_the_table_and_shows_in_the_registers(
    demo: Demo, caller: Callable[[int], Caller], until: Callable[..., Any]
) -> None:
    line = demo.find(r"Link it under Linking, or: (.+)$")[1]
    folder = Path(re.findall(r"STATE_DIRECTORY=(\S+)", line)[0])
    client = caller(demo.port)
    (heard,) = until(lambda: ask(folder, {"do": "nodes"})["nodes"], what="the node")
    assert (heard["node"], heard["fits"][0]["meters_without_node"]) == (NODE, [FREE])
    assert math.isnan(ppm(client))

    code = demo.find(rf"{FREE} has no node yet. One that fits: (\S+)$")[1]
    read = ask(folder, {"do": "code", "node": code, "tag": FREE})
    assert (read["node"], read["unreadable"]) == (NODE, None)
    said = typed(line)
    assert (said.returncode, said.stdout.splitlines()[0]) == (0, f"node {NODE} sits on {FREE}: not heard"), said.stderr
    value = until(lambda: (found := ppm(client)) == found and found, what="the next uplink")
    assert 350 < value < 50_000  # clean air holds some 420 ppm, from memory; the detector ends at 5 %vol
    assert ask(folder, {"do": "links of", "tag": FREE})["stage"] == "not verified"


def test_it_is_linked_as_the_readme_has_it_typed(
    demo: Demo, caller: Callable[[int], Caller], until: Callable[..., Any]
) -> None:
    folder = demo.find(r"STATE_DIRECTORY=(\S+) .+ link ")[1]
    until(lambda: ask(Path(folder), {"do": "nodes"})["nodes"], what="the node")
    client = caller(demo.port)
    commands, said = printed("Link a node in the demo"), []
    for command in commands:
        port = f" --port {demo.port}" if " poll " in command else ""
        program = f"STATE_DIRECTORY={folder} {sys.executable} -m aggregator"
        ended = typed(command.replace("aggregator", program, 1) + port)
        assert ended.returncode == 0, (command, ended.stderr)
        said.append(ended.stdout)
        if " link " in command:
            until(lambda: not math.isnan(ppm(client)), what="the next uplink")
    nodes, link, poll, record = said
    assert (NODE in nodes, "co2-infrared" in nodes) == (True, True)
    assert link.startswith(f"node {NODE} sits on {FREE}")
    assert re.search(rf"{FREE}.+ppm.+good", poll)
    assert "valve chamber 2" in record


def test_the_code_above_the_table_sets_up_the_first_person_who_may_then_act(
    demo: Demo, until: Callable[..., Any]
) -> None:
    page, code = demo.find(r"open (\S+) with the code (\S+)$").groups()
    site = f"http://127.0.0.1:{demo.pages}"
    assert page == f"{site}/first"
    with httpx.Client(base_url=site, headers={"Origin": site}) as browser:
        given = {"code": code, "name": "fitter", "password": "a long password", "again": "a long password"}
        assert browser.post("/first", data=given).status_code == 303
        token = re.search(r'data-token="([^"]+)"', browser.get("/linking").text)
        assert token
        until(lambda: browser.get("/api/v1/nodes").json()["nodes"], what="the node")
        said = browser.post(f"/api/v1/links/{FREE}/link", json={"node": NODE}, headers={"x-visit-token": token[1]})
        assert (said.status_code, said.json()["node"]) == (200, NODE)
