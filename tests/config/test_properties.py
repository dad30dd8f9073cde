"""Whatever stands in the files, loading ends in a site that runs or in sentences about one of the files."""

from __future__ import annotations

import copy
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from aggregator.config.configuration import load
from aggregator.config.document import Document, parse, read
from aggregator.core.errors import ConfigurationError
from aggregator.core.reading import Now
from aggregator.core.site import Site

GOOD = Path(__file__).parent / "good"
FILES = ("site.yaml", "meters.yaml", "map.yaml", "profiles/flow.yaml", "profiles/methane.yaml")
TREES: dict[str, Any] = {
    file: yaml.load((GOOD / file).read_text(encoding="utf-8"), Loader=yaml.BaseLoader) for file in FILES
}
# What the libraries below say when they are left to themselves.
JARGON = re.compile(
    r"[Ii]nput should|[Vv]alue error|pydantic|[Tt]raceback|Error\b|\bNone\b|<class|unicode string|while \w+ing"
)

Way = tuple[str | int, ...]


def ways(tree: Any, way: Way = ()) -> Iterator[Way]:
    """The way to every value of a tree."""
    yield way
    if isinstance(tree, dict):
        for key, value in tree.items():
            yield from ways(value, (*way, key))
    if isinstance(tree, list):
        for at, value in enumerate(tree):
            yield from ways(value, (*way, at))


def at(tree: Any, way: Way) -> Any:
    for step in way:
        tree = tree[step]
    return tree


EVERYWHERE = [(file, way) for file in FILES for way in ways(TREES[file]) if way]
ODD = st.sampled_from(
    [
        *("", " ", "-", "~", "null", "no", "0", "-1", "007", "1.10", "1e3", "1e309", "nan", ".inf", "0x10", "65535"),
        *("65536", "9" * 5000, "1e-300", "22:30", "1 d", "9" * 400 + " d", "..", "1 .. 0", "a .. b", "/", "#", "spare"),
        *(
            "9**9**9",
            "°C",
            "%",
            "text",
            "float64",
            "int16",
            "uint64",
            "1-0",
            "0-63",
            "[::]:1",
            "x" * 300,
            "{",
            "~2",
            "/~2",
        ),
    ]
)
VALUES = st.one_of(
    ODD,
    st.text(max_size=8),
    st.sampled_from(EVERYWHERE).map(lambda place: at(TREES[place[0]], place[1])),
    st.lists(ODD, max_size=3),
    st.dictionaries(ODD, ODD, max_size=2),
)


def changed(tree: Any, way: Way, how: str, value: Any) -> Any:
    """A copy of a tree with the value at the end of a way dropped, renamed, doubled or replaced."""
    result = copy.deepcopy(tree)
    parent, last = at(result, way[:-1]), way[-1]
    old = parent[last]
    if how == "drop":
        del parent[last]
    elif how == "rename" and isinstance(parent, dict):
        items = [(str(value) if key == last else key, each) for key, each in parent.items()]
        parent.clear()
        parent.update(items)
    elif how == "double" and isinstance(parent, list):
        parent.append(copy.deepcopy(old))
    else:
        parent[last] = copy.deepcopy(value)
    return result


@pytest.fixture(scope="module")
def playground(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copytree(GOOD, tmp_path_factory.mktemp("properties") / "site"))


def check_sentences(error: ConfigurationError, folder: Path) -> None:
    """Every problem stands in one of the files, at a line that it has, in words of this project."""
    assert error.problems
    for problem in error.problems:
        file = Path(problem.place.file)
        assert file.is_relative_to(folder)
        text = file.read_bytes().decode("utf-8", "replace") if file.is_file() else ""
        lines = re.split("\r\n|\r|\n", text)
        assert 1 <= problem.place.line <= len(lines), problem
        assert 1 <= problem.place.column <= len(lines[problem.place.line - 1]) + 1, problem
        assert problem.what, problem
        assert problem.cure, problem
        # What stands in backticks is the file's own word, which may be any.
        assert not JARGON.search(re.sub(r"`[^`]*`", "", f"{problem.what}. {problem.cure}")), problem


def check_site(folder: Path) -> None:
    """The folder is refused with sentences, or makes a site that starts and grows old."""
    try:
        declared = load(folder).declared
    except ConfigurationError as error:
        check_sentences(error, folder)
    else:
        site = Site(declared, Now(0.0, 1.8e9))
        site.tick(Now(1e6, 1.8e9 + 1e6))


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    place=st.sampled_from(EVERYWHERE),
    how=st.sampled_from(["drop", "rename", "double", "replace", "replace", "replace"]),
    value=VALUES,
)
def test_a_good_site_with_one_value_changed_loads_or_says_where_it_is_wrong(
    playground: Path, place: tuple[str, Way], how: str, value: Any
) -> None:
    file, way = place
    text = yaml.safe_dump(changed(TREES[file], way, how, value), allow_unicode=True, sort_keys=False)
    path = playground / file
    before = path.read_bytes()
    path.write_text(text, encoding="utf-8")
    try:
        check_site(playground)
    finally:
        path.write_bytes(before)


YAML_TEXT = st.text(alphabet=st.sampled_from("ab:-[]{}\"'|>&*!%@`#?,. \n\t0~<é\ufeff\x00\x85"), max_size=60)


def check_document(make: Callable[[], Document], file: str) -> None:
    """A document comes of it, or sentences about the file."""
    refused: ConfigurationError | None = None
    try:
        assert isinstance(make(), Document)
    except ConfigurationError as error:
        refused = error
    if refused is not None:
        assert {problem.place.file for problem in refused.problems} == {file}
        assert not JARGON.search(str(refused))


@settings(max_examples=500, deadline=None)
@given(st.one_of(st.text(max_size=80), YAML_TEXT))
@example("[" * 5000)
@example("- " * 5000)
@example("a: &a [*a]")
@example("<<: *b")
@example("a: \ud800")
def test_any_text_is_a_document_or_is_refused(text: str) -> None:
    check_document(lambda: parse(text, "site.yaml"), "site.yaml")


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.binary(max_size=80), YAML_TEXT.map(lambda text: text.encode("utf-16"))))
@example(b"\xef\xbb\xbfsite: x")
@example(b"\xff\xfes\x00")
def test_any_bytes_are_a_document_or_are_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.yaml"
    path.write_bytes(data)
    check_document(lambda: read(path), str(path))


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(file=st.sampled_from(FILES), begin=st.integers(0, 2000), size=st.integers(0, 40), text=YAML_TEXT)
def test_a_good_site_with_text_typed_over_loads_or_says_where_it_is_wrong(
    playground: Path, file: str, begin: int, size: int, text: str
) -> None:
    path = playground / file
    before = path.read_bytes()
    whole = before.decode("utf-8")
    begin = min(begin, len(whole))
    path.write_text(whole[:begin] + text + whole[begin + size :], encoding="utf-8")
    try:
        check_site(playground)
    finally:
        path.write_bytes(before)
