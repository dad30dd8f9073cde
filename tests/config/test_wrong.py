"""A folder of wrong sites: each case changes the good one and must be answered with exactly its sentences.

A case is a YAML file in `wrong/`, named for what is wrong:

    change: {map.yaml: [[text of the good file, text in its place], ...]}     one place each
    write: {profiles/other.yaml: whole text}
    bytes: {meters.yaml: hexadecimal}
    remove: [site.yaml]
    problems: [file:line:column: what. cure., ...]                             all of them, in file order
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from aggregator.config.configuration import load
from aggregator.core.errors import ConfigurationError

WRONG = Path(__file__).parent / "wrong"
CASES = sorted(path.stem for path in WRONG.glob("*.yaml"))
KNOWN = {"change", "write", "bytes", "remove", "problems"}


def spoil(site: Path, case: dict[str, Any]) -> None:
    for file, changes in case.get("change", {}).items():
        text = (site / file).read_text(encoding="utf-8")
        for old, new in changes:
            assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file}"
            text = text.replace(old, new)
        (site / file).write_text(text, encoding="utf-8")
    for file, text in case.get("write", {}).items():
        (site / file).write_text(text, encoding="utf-8")
    for file, digits in case.get("bytes", {}).items():
        (site / file).write_bytes(bytes.fromhex(digits))
    for file in case.get("remove", []):
        (site / file).unlink()


def sentences_about(site: Path) -> list[str]:
    try:
        load(site)
    except ConfigurationError as error:
        return [str(problem).removeprefix(f"{site}/") for problem in error.problems]
    return []


@pytest.mark.parametrize("name", CASES)
def test_a_wrong_site_is_answered_with_its_sentences(good_site: Path, name: str) -> None:
    case = yaml.safe_load((WRONG / f"{name}.yaml").read_text(encoding="utf-8"))
    assert case.keys() <= KNOWN
    spoil(good_site, case)
    assert sentences_about(good_site) == case["problems"]


def test_the_good_site_has_no_problems(good_site: Path) -> None:
    assert sentences_about(good_site) == []


def test_every_case_changes_something_and_expects_something() -> None:
    for name in CASES:
        case = yaml.safe_load((WRONG / f"{name}.yaml").read_text(encoding="utf-8"))
        assert case["problems"], name
        assert len(case) > 1, name
