"""The command line as people and scripts meet it: four exit codes, sentences, and never a traceback."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import pytest

from aggregator.cli import main
from aggregator.config import load

if TYPE_CHECKING:
    from tests.edges.conftest import Service

SAMPLE = Path(__file__).parents[2] / "config"
PROGRAM = [sys.executable, "-m", "aggregator"]
DONE, FILES_WRONG, LINE_WRONG, OUTSIDE = 0, 1, 2, 3


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    returncode: object
    stdout: str
    stderr: str


def aggregator(*arguments: str | Path) -> Ended:
    """Run a command to its end, in this process; what escapes it as an exception fails the test."""
    out, err = io.StringIO(), io.StringIO()
    argv = ["aggregator", *map(str, arguments)]
    with (
        patch.object(sys, "argv", argv),
        patch.dict(os.environ, {"COLUMNS": "120"}),
        redirect_stdout(out),
        redirect_stderr(err),
        pytest.raises(SystemExit) as ended,
    ):
        main()
    return Ended(ended.value.code or 0, out.getvalue(), err.getvalue())


def aggregator_process(*arguments: str | Path) -> Ended:
    """Run a command to its end, in a process of its own."""
    command = [*PROGRAM, *map(str, arguments)]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert "Traceback" not in ended.stdout + ended.stderr
    return Ended(ended.returncode, ended.stdout, ended.stderr)


def test_a_good_site_is_checked_and_summed_up() -> None:
    ended = aggregator("check", SAMPLE)
    assert ended.returncode == DONE
    assert "Alder Fen biogas works is in order" in ended.stdout
    assert ended.stderr == ""


BROKEN = {
    "no such folder": ("", None),
    "an empty file": ("site.yaml", b""),
    "no YAML": ("site.yaml", b"site: [unfinished"),
    "bytes that are no text": ("meters.yaml", bytes(range(256))),
    "zeros": ("map.yaml", bytes(4096)),
    "a list": ("map.yaml", b"- 1\n- 2\n"),
    "an unknown key": ("site.yaml", b"sight: Alder Fen\n"),
    "a key twice": ("site.yaml", b"site: a\nsite: b\n"),
    "an alias without end": ("meters.yaml", b"meters: &a [*a]\n"),
    "a Python object": ("site.yaml", b"site: !!python/object/apply:os.system ['true']\n"),
    "a profile of another shape": ("profiles/gas-point.yaml", b"profile: 1\n"),
}


@pytest.mark.parametrize(("name", "content"), BROKEN.values(), ids=BROKEN.keys())
@pytest.mark.parametrize("command", ["check", "map", "poll", "run"])
def test_wrong_files_end_with_code_1_and_a_place(
    command: str, name: str, content: bytes | None, site: Callable[..., Path]
) -> None:
    folder = site()
    if content is None:
        folder = folder / "elsewhere"
    else:
        (folder / name).write_bytes(content)
    ended = aggregator(command, folder)
    assert ended.returncode == FILES_WRONG
    assert re.search(rf"(?m)^{re.escape(str(folder))}\S*:\d+:\d+: .+\. .+\.$", ended.stderr), ended.stderr
    assert re.search(r"(?m)^\d+ problems?; nothing was changed\.$", ended.stderr)


@pytest.mark.parametrize(
    "arguments",
    [
        ["nothing-like-it"],
        ["check", "--colour"],
        ["check", "one", "two"],
        ["map", str(SAMPLE), "--as", "pdf"],
        ["map", str(SAMPLE), "--unit", "9"],
        ["map", str(SAMPLE), "--unit", "one"],
        ["poll", str(SAMPLE), "--unit", "9"],
        ["poll", str(SAMPLE), "--tag", "FT-999"],
        ["poll", str(SAMPLE), "--most", "126"],
        ["poll", str(SAMPLE), "--port", "65536"],
        ["poll", str(SAMPLE), "--watch", "0"],
        ["run", str(SAMPLE), "--log", "xml"],
        ["schema"],
        ["schema", "holders"],
    ],
    ids=" ".join,
)
def test_a_wrong_command_line_ends_with_code_2_and_says_what(arguments: list[str]) -> None:
    ended = aggregator(*arguments)
    assert ended.returncode == LINE_WRONG
    assert ended.stdout == ""
    assert "Error" in ended.stderr


def test_what_stands_in_the_way_outside_ends_with_code_3(port: int, tmp_path: Path) -> None:
    for arguments in (
        ["poll", SAMPLE, "--port", str(port)],
        ["poll", SAMPLE, "--host", "no-such-host.invalid"],
        ["poll", SAMPLE, "--host", "x" * 70 + "..invalid"],
        ["map", SAMPLE, "--as", "csv", "--output", tmp_path / "no-such-folder" / "map.csv"],
        ["map", SAMPLE, "--as", "csv", "--output", tmp_path],
        ["schema", "--into", "/proc/no-such-folder"],
    ):
        ended = aggregator(*arguments)
        assert ended.returncode == OUTSIDE, arguments
        assert re.fullmatch(r".+\. .+[.?]\n|\S+ does not answer unit 1: .+\n", ended.stderr), ended.stderr


def test_every_kind_of_end_is_the_same_from_a_shell(port: int, tmp_path: Path) -> None:
    ends = [
        aggregator_process("check", SAMPLE),
        aggregator_process("check", tmp_path),
        aggregator_process("check", "--colour"),
        aggregator_process("poll", SAMPLE, "--port", str(port)),
    ]
    assert [end.returncode for end in ends] == [DONE, FILES_WRONG, LINE_WRONG, OUTSIDE]


class Rows(HTMLParser):
    """The cells of the first table of a page, row by row, and every tag with an address in it."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.tables = 0
        self.inside = False
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tables += tag == "table"
        if tag == "tr" and self.tables == 1:
            self.rows.append([])
        if tag in ("td", "th") and self.tables == 1:
            self.rows[-1].append("")
            self.inside = True
        self.fetched += [value or "" for name, value in attrs if name in ("src", "href")]
        assert tag != "script"

    def handle_endtag(self, tag: str) -> None:
        self.inside &= tag not in ("td", "th")

    def handle_data(self, data: str) -> None:
        if self.inside:
            self.rows[-1][-1] += data


def listed(form: str) -> list[dict[str, str]]:
    """The register list as its form's own reader sees it."""
    text = aggregator("map", SAMPLE, "--as", form).stdout
    if form == "csv":
        return list(csv.DictReader(text.splitlines()))
    if form == "json":
        return list(json.loads(text)["registers"])
    if form == "markdown":
        rows = [line.strip("|").split(" | ") for line in text.splitlines() if line.startswith("|")]
        head, body = rows[0], [row for row in rows[2:] if len(row) == len(rows[0])]
        return [dict(zip(map(str.strip, head), map(str.strip, row), strict=True)) for row in body]
    page = Rows()
    page.feed(text)
    assert page.fetched == []
    return [dict(zip(page.rows[0], row, strict=True)) for row in page.rows[1:]]


def test_the_register_list_says_the_same_in_every_form() -> None:
    rows = listed("csv")
    assert len(rows) == sum(len(list(device.entries())) for device in load(SAMPLE).declared.devices)
    for form in ("json", "markdown", "html"):
        assert listed(form) == rows, form


def test_a_data_number_is_the_pdu_address_and_one() -> None:
    """V1.1b3 section 4.4; six-digit references begin with the table's digit (common practice, no source)."""
    digits = {"coil": "0", "discrete input": "1", "input register": "3", "holding register": "4"}
    rows = listed("csv")
    for row in rows:
        address = int(row["PDU address"])
        assert int(row["PDU hex"], 16) == address
        assert int(row["data number"]) == address + 1
        assert row["reference"] == f"{digits[row['table']]}{address + 1:05d}"
    assert {row["table"] for row in rows} == set(digits)


def test_one_unit_is_listed_alone_and_into_a_file(tmp_path: Path) -> None:
    target = tmp_path / "unit-2.csv"
    ended = aggregator("map", SAMPLE, "--as", "csv", "--unit", "2", "--output", target)
    assert (ended.returncode, ended.stderr) == (DONE, "")
    rows = list(csv.DictReader(target.read_text().splitlines()))
    assert {row["unit id"] for row in rows} == {"2"}


@pytest.mark.parametrize(
    "arguments", [["map", "--as", "csv"], ["map", "--as", "html"], ["map"], ["check"], ["--help"]], ids=" ".join
)
def test_a_reader_that_has_had_enough_is_no_trouble(arguments: list[str]) -> None:
    site = [] if arguments == ["--help"] else [str(SAMPLE)]
    with subprocess.Popen([*PROGRAM, *arguments, *site], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout
        assert process.stderr
        process.stdout.close()
        assert process.wait(30) == DONE
        assert process.stderr.read() == b""


@pytest.mark.parametrize("arguments", [["map", "--as", "csv"], ["map"], ["check"]], ids=" ".join)
def test_a_full_disk_is_said(arguments: list[str]) -> None:
    with Path("/dev/full").open("wb") as full:
        command = [*PROGRAM, *arguments, str(SAMPLE)]
        ended = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=30, check=False)
    assert ended.returncode == OUTSIDE
    assert re.fullmatch(r"cannot write .+\. .+\.\n", ended.stderr)


def test_a_closed_output_is_no_trouble() -> None:
    ended = subprocess.run(
        ["/bin/sh", "-c", f'"$0" -m aggregator check "{SAMPLE}" >&- 2>&-', sys.executable], check=False
    )
    assert ended.returncode == DONE


def test_a_running_service_is_polled_as_text_and_as_json(
    site: Callable[..., Path], service: Callable[..., Service]
) -> None:
    folder = site(meters=3)
    port = str(service(folder).port)
    table = aggregator("poll", folder, "--port", port)
    assert table.returncode == DONE
    assert [tag for tag in ("FT-101", "FT-102", "FT-103") if tag in table.stdout] == ["FT-101", "FT-102", "FT-103"]
    lines = [json.loads(line) for line in aggregator("poll", folder, "--port", port, "--json").stdout.splitlines()]
    assert len(lines) == 3 * 4
    assert {line["quality"] for line in lines} == {"bad: never seen"}
    assert {line["value"] for line in lines} == {None}
    one = aggregator("poll", folder, "--port", port, "--json", "--tag", "FT-102", "--most", "4")
    assert {json.loads(line)["tag"] for line in one.stdout.splitlines()} == {"FT-102"}
    assert len(one.stdout.splitlines()) == 4


def test_a_poll_that_goes_on_waits_for_a_service_that_is_away_and_ends_at_ctrl_c(
    site: Callable[..., Path], service: Callable[..., Service], until: Callable[..., Any], tmp_path: Path, port: int
) -> None:
    folder = site(meters=1, tcp=f"127.0.0.1:{port}")
    running = service(folder)
    command = [*PROGRAM, "poll", str(folder), "--port", str(running.port), "--watch", "0.1", "--json"]
    polled, said = tmp_path / "polled", tmp_path / "said"
    with polled.open("wb") as out, said.open("wb") as err:
        watching = subprocess.Popen(command, stdout=out, stderr=err, env={**os.environ, "PYTHONUNBUFFERED": "1"})
        until(lambda: polled.read_text().count("flow") >= 2, 20)
        running.kill()
        until(lambda: "nothing answers at" in said.read_text(), 20)
        assert "Traceback" not in said.read_text()
        seen = polled.read_text().count("flow")
        service(folder)
        until(lambda: polled.read_text().count("flow") > seen + 1, 20)
        watching.send_signal(signal.SIGINT)
        assert watching.wait(20) == DONE


def test_each_schema_is_json_and_all_of_them_can_be_written_at_once(tmp_path: Path) -> None:
    for kind in ("site", "meters", "map", "profile"):
        schema = json.loads(aggregator("schema", kind).stdout)
        assert schema["$schema"].startswith("https://json-schema.org/")
    assert aggregator("schema", "--into", tmp_path / "schemas").returncode == DONE
    assert sorted(path.name for path in (tmp_path / "schemas").iterdir()) == [
        "map.schema.json",
        "meters.schema.json",
        "profile.schema.json",
        "site.schema.json",
    ]
