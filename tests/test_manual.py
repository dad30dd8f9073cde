"""The manual is complete: no command, option or key of a file that README.md or config/README.md does not name."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
import typer.main
from pydantic import BaseModel

from aggregator.cli import app
from aggregator.config.files import FILES
from aggregator.core.alarm_state import diagram
from aggregator.core.gateway import FIGURE_NAMES
from aggregator.core.painter import FLAG_NAMES

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "config" / "README.md").read_text(encoding="utf-8")
COMMANDS: dict[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]


def options() -> Iterator[tuple[str, str]]:
    """Every command with each of its options, by its long name."""
    for name, command in COMMANDS.items():
        for parameter in command.params:
            longest = max(parameter.opts, key=len)
            if longest.startswith("--") and longest != "--help":
                yield name, longest


def models(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    """A model and every model inside it."""
    yield model
    for field in model.model_fields.values():
        for inner in inside(field.annotation):
            yield from models(inner)


def inside(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from inside(part)


def keys(kind: str) -> set[str]:
    """Every key that a kind of file may hold."""
    return {field.alias or name for model in models(FILES[kind]) for name, field in model.model_fields.items()}


def names(text: str) -> set[str]:
    """Every name that stands as code in a text: in backticks, or a key in a block of YAML."""
    code = " ".join(re.findall(r"`([^`]+)`", re.sub(r"(?ms)^```.*?^```", "", text)))
    blocks = re.findall(r"(?ms)^ {4}.*?$", text) + re.findall(r"```\w*\n(.*?)```", text, re.DOTALL)
    return set(re.findall(r"[\w-]+", code + " ".join(blocks)))


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"aggregator {command}" in README + GUIDE


@pytest.mark.parametrize(("command", "option"), sorted(options()))
def test_every_option_is_in_the_readme(command: str, option: str) -> None:
    assert re.search(rf"(?<![\w-]){re.escape(option)}(?![\w-])", README), f"aggregator {command} {option}"


@pytest.mark.parametrize("kind", sorted(FILES))
def test_every_key_of_a_file_is_in_its_guide(kind: str) -> None:
    assert len(keys(kind)) > 5
    assert sorted(keys(kind) - names(GUIDE)) == []


def test_every_figure_of_the_gateway_and_every_flag_is_in_the_guide() -> None:
    assert sorted({*FIGURE_NAMES, *FLAG_NAMES} - names(GUIDE)) == []


def test_the_exit_codes_are_in_the_readme() -> None:
    assert re.search(r"(?i)exit code", README)


def test_the_readme_says_what_this_is_not() -> None:
    for text in (README, GUIDE):
        assert re.search(r"(?i)not a safety function", text)


def test_the_diagram_of_the_alarm_states_is_that_of_the_table() -> None:
    between = GUIDE.partition("<!-- alarm states -->\n")[2].partition("<!-- /alarm states -->")[0]
    assert between == f"```mermaid\n{diagram()}```\n"
