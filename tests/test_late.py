"""A command waits for nothing that only another needs: who asks the running service reads no whole site."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from aggregator.cli.late import COMMANDS, LateCommands

# What it takes to read a site, to serve it and to poll it.
HEAVY = (
    "aggregator.config.configuration",
    "aggregator.core.site",
    "aggregator.daemon",
    "aggregator.poller",
    "aggregator.store",
    "pint",
    "pymodbus",
    "uvloop",
)
ASKING = (
    ("status",),
    ("clients",),
    ("alarms",),
    ("acknowledge", "--all"),
    ("reset", "FT-101", "flow high"),
    ("shelve", "FT-101", "flow high", "--for", "2 h", "--why", "cleaning"),
    ("unshelve", "FT-101", "flow high"),
    ("out-of-service", "FT-101", "flow high", "on"),
    ("silence",),
    ("suppress", "flare", "on"),
    ("settings",),
    ("test", "FT-101", "on"),
    ("reload",),
    ("links",),
    ("nodes",),
    ("link", "FT-101", "0a1def0000000101"),
    ("unlink", "FT-101"),
)
RUN = """\
import json, sys
from aggregator.cli import main
code = None
try:
    main()
except SystemExit as end:
    code = end.code
print(json.dumps([code, sorted(sys.modules)]))
"""


def run(folder: Path, *arguments: str) -> tuple[int, set[str]]:
    """A command where no service runs: its exit code, and all modules that it has imported."""
    line = [sys.executable, "-c", RUN, *arguments]
    ended = subprocess.run(line, cwd=folder, capture_output=True, text=True, timeout=60, check=True)
    code, modules = json.loads(ended.stdout.splitlines()[-1])
    return code, set(modules)


@pytest.mark.parametrize("arguments", ASKING, ids=lambda arguments: arguments[0])
def test_a_command_that_asks_the_service_reads_no_site(arguments: tuple[str, ...], tmp_path: Path) -> None:
    code, modules = run(tmp_path, *arguments)
    assert code == 3, "it asked, and nobody answered"
    assert "aggregator.control" in modules
    assert [each for each in HEAVY if each in modules] == []


@pytest.mark.parametrize("name", [name for name in COMMANDS if name not in ("compare", "demo", "schema", "gases")])
def test_every_command_takes_the_site_in_one_way(name: str) -> None:
    made = LateCommands(COMMANDS)[name]
    needed = sum(each.required and each.param_type_name == "argument" for each in made.params)
    words = ["FT-101", "flow", "5", "on"][:needed]
    context = made.make_context(name, [*words, "--site", "fen"], resilient_parsing=True)
    assert context.params["site"] == Path("fen")


def test_a_folder_of_a_site_among_tags_is_told(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").touch()
    acknowledge = LateCommands(COMMANDS)["acknowledge"]
    with pytest.raises(Exception, match=r"is a site's folder\. Write --site "):
        acknowledge.make_context("acknowledge", ["FT-101", str(tmp_path)])
    assert acknowledge.make_context("acknowledge", ["FT-101", "--site", str(tmp_path)]).params["tags"] == ["FT-101"]


def test_a_command_that_reads_a_site_is_seen_to(tmp_path: Path) -> None:
    code, modules = run(tmp_path, "check", str(tmp_path))
    assert code == 1
    assert "aggregator.config.configuration" in modules


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_is_made_of_its_function_and_once(name: str) -> None:
    commands = LateCommands(COMMANDS)
    made = commands[name]
    assert made.name == name
    assert made.help
    assert commands[name] is made


def test_a_name_that_is_none_is_no_command() -> None:
    assert LateCommands(COMMANDS).get("dance") is None


def test_a_service_without_pages_loads_nothing_of_what_serves_them() -> None:
    told = subprocess.run(
        [sys.executable, "-c", "import sys, json, aggregator.daemon; print(json.dumps(sorted(sys.modules)))"],
        capture_output=True,
        check=True,
    )
    loaded = json.loads(told.stdout)
    assert "aggregator.front" in loaded
    assert not {"fastapi", "starlette", "uvicorn", "jinja2", "argon2", "prometheus_client"} & set(loaded)
