"""The command line as people and scripts meet it: five exit codes, sentences, and never a traceback."""

from __future__ import annotations

import csv
import html
import io
import json
import os
import re
import shutil
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
from aggregator.config.configuration import load
from aggregator.core.reading import REASON_WORDS

if TYPE_CHECKING:
    from tests.edges.conftest import Service

SAMPLE = Path(__file__).parents[2] / "config"
PROGRAM = [sys.executable, "-m", "aggregator"]
DONE, FILES_WRONG, LINE_WRONG, OUTSIDE, DIFFERENT = 0, 1, 2, 3, 4


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
        ["compare", str(SAMPLE)],
        ["compare", str(SAMPLE), str(SAMPLE), "--as", "csv"],
        ["plan", str(SAMPLE), "--most", "0"],
        ["thaw"],
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
    other = shutil.copytree(SAMPLE, tmp_path / "other")
    map_ = other / "map.yaml"
    map_.write_text(map_.read_text(encoding="utf-8").replace("from: 3600", "from: 3700"), encoding="utf-8")
    ends = [
        aggregator_process("check", SAMPLE),
        aggregator_process("check", tmp_path),
        aggregator_process("check", "--colour"),
        aggregator_process("poll", SAMPLE, "--port", str(port)),
        aggregator_process("compare", SAMPLE, other),
    ]
    assert [end.returncode for end in ends] == [DONE, FILES_WRONG, LINE_WRONG, OUTSIDE, DIFFERENT]


class Rows(HTMLParser):
    """The cells of every table of a page, row by row, and every tag with an address in it."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: list[list[list[str]]] = []
        self.inside = False
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "table":
            self.tables.append([])
        if tag == "tr":
            self.tables[-1].append([])
        if tag in ("td", "th"):
            self.tables[-1][-1].append("")
            self.inside = True
        self.fetched += [value or "" for name, value in attrs if name in ("src", "href")]
        assert tag != "script"

    def handle_endtag(self, tag: str) -> None:
        self.inside &= tag not in ("td", "th")

    def handle_data(self, data: str) -> None:
        if self.inside:
            self.tables[-1][-1][-1] += data

    def items(self) -> list[dict[str, str]]:
        """The rows of the tables of items, without the lines that say whose block begins."""
        return [
            dict(zip(table[0], row, strict=True))
            for table in self.tables
            if table[0][0] == "address"
            for row in table[1:]
            if len(row) > 1
        ]


def listed(form: str) -> list[dict[str, str]]:
    """The register list as its form's own reader sees it."""
    text = aggregator("map", SAMPLE, "--as", form).stdout
    if form == "csv":
        return list(csv.DictReader(text.splitlines()))
    if form == "json":
        return [as_text(row) for row in json.loads(text)["registers"]]
    if form == "markdown":
        rows = [line.strip("|").split(" | ") for line in text.splitlines() if line.startswith("|")]
        head, body = rows[0], [row for row in rows[2:] if len(row) == len(rows[0])]
        return [dict(zip(map(str.strip, head), map(str.strip, row), strict=True)) for row in body]
    raise AssertionError(form)


def as_text(row: dict[str, str | float | None]) -> dict[str, str]:
    """A row of the JSON list in the words of the others, where a scale of 1 and an offset of 0 are not said."""
    plain = {"scale": 1, "offset": 0}
    return {
        column: "" if value is None or plain.get(column) == value else f"{value:g}" if column in plain else str(value)
        for column, value in row.items()
    }


@pytest.mark.parametrize("form", ["markdown", "html", "json"])
def test_the_register_list_says_what_each_bit_of_the_status_word_means(form: str) -> None:
    text = aggregator("map", SAMPLE, "--as", form).stdout
    for reason, words in REASON_WORDS.items():
        bit = int(reason).bit_length() - 1
        name = (reason.name or "").lower().replace("_", " ")
        if form == "json":
            (row,) = (row for row in json.loads(text)["status_word"] if row["bits"] == str(bit))
            assert (row["name"], row["meaning"]) == (name, words)
        else:
            plain = html.unescape(re.sub(r"<[^>]+>", "|", text)) if form == "html" else text
            assert re.search(rf"\| ?\|?{bit} ?\|\|? ?{name} ?\|\|? ?{re.escape(words)}", plain), (form, name)


def test_the_register_list_for_programs_has_its_numbers_as_numbers() -> None:
    rows = json.loads(aggregator("map", SAMPLE, "--as", "json").stdout)["registers"]
    whole = {type(row[column]) for row in rows for column in ("unit id", "PDU address", "data number")}
    assert whole == {int}
    assert {type(row[column]) for row in rows for column in ("scale", "offset")} == {float, type(None)}
    bits = [row for row in rows if row["type"] == "bit"]
    assert {(row["registers"], row["scale"], row["offset"], row["unit"]) for row in bits} == {(None, None, None, None)}
    scales = {row["scale"] for row in rows if row["type"] == "uint16"}
    assert {1.0, 0.1} <= scales


@pytest.mark.parametrize(
    "command",
    [
        "run",
        "poll",
        "plan",
        "freeze",
        "thaw",
        "compare",
        "total",
        "substitute",
        "export",
        "record",
        "replay",
        "demo",
        "schema",
    ],
)
def test_help_says_in_plain_words_what_a_command_takes(command: str) -> None:
    told = aggregator(command, "--help").stdout
    assert not re.search(r"<|x>=|list\[|\b(str|int|float|bool|path)\b", told), told
    assert "--help" in told


def test_help_names_the_range_of_a_number() -> None:
    told = aggregator("poll", "--help").stdout
    assert re.search(r"--most +NUMBER \[4 to 125\]", told)
    assert re.search(r"--watch +NUMBER \[0\.1 or more\]", told)
    assert re.search(r"--host +TEXT ", told)
    assert re.search(r"--json +one JSON object", told)


def test_the_register_list_says_the_same_in_every_form() -> None:
    rows = listed("csv")
    assert len(rows) == sum(len(list(device.entries())) for device in load(SAMPLE).declared.devices)
    assert listed("markdown") == [without_issue(row) for row in rows]
    assert listed("json") == [without_issue(row) for row in rows]
    page = Rows()
    page.feed(aggregator("map", SAMPLE, "--as", "html").stdout)
    assert page.fetched == []
    assert len(page.items()) == len(rows)
    for shown, row in zip(page.items(), rows, strict=True):
        item = row["item"].partition(": ")[2] or row["item"]
        assert shown["item"] in (item, f"{row['tag']} {item}")
        assert (shown["address"], shown["hex"], shown["short"]) == (
            row["PDU address"],
            row["PDU hex"],
            row["short reference"],
        )
        same = ["data number", "reference", "function", "declared at"]
        same += [] if row["type"] == "bit" else ["registers", "type", "scale", "offset", "unit", "no value", "range"]
        assert [shown[column] for column in same] == [row[column] for column in same]


def without_issue(row: dict[str, str]) -> dict[str, str]:
    """A row of the CSV list without what is said of the map on every line of it."""
    return {column: value for column, value in row.items() if column not in ("map revision", "map fingerprint")}


def test_every_line_for_import_names_the_map_it_is_of() -> None:
    issue = json.loads(aggregator("map", SAMPLE, "--as", "json").stdout)
    assert {(row["map revision"], row["map fingerprint"]) for row in listed("csv")} == {
        (issue["map_revision"], issue["map_fingerprint"])
    }


def test_a_short_reference_ends_at_data_number_9999() -> None:
    """Five digits have room for four of a data number (common practice, no source)."""
    for row in listed("csv"):
        number = int(row["data number"])
        assert row["short reference"] == (row["reference"][0] + row["reference"][-4:] if number <= 9999 else "")


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
    for kind in ("site", "meters", "map", "profile", "rehearsal"):
        schema = json.loads(aggregator("schema", kind).stdout)
        assert schema["$schema"].startswith("https://json-schema.org/")
    assert aggregator("schema", "--into", tmp_path / "schemas").returncode == DONE
    assert sorted(path.name for path in (tmp_path / "schemas").iterdir()) == [
        "map.schema.json",
        "meters.schema.json",
        "profile.schema.json",
        "rehearsal.schema.json",
        "site.schema.json",
    ]
