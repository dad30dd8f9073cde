"""Every value is the text that was written, with its place."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import yaml

from aggregator.config.document import parse, read
from aggregator.core.errors import ConfigurationError, Place


@pytest.mark.parametrize(
    ("written", "plain_yaml"),
    [  # YAML 1.1 type repository (yaml.org/type/int, bool, float): what PyYAML's own resolver makes of the same text
        ("040001", 16385),
        ("7076940000000012", 7076940000000012),
        ("no", False),
        ("22:30", 1350),
        ("1.10", 1.1),
        ("0x10", 16),
        ("1_000", 1000),
        ("~", None),
    ],
)
def test_a_value_stays_the_text_it_was_written_as(written: str, plain_yaml: object) -> None:
    text = f"key: {written}\n"
    assert yaml.safe_load(text) == {"key": plain_yaml}
    assert parse(text, "f").data == {"key": written}


def test_every_key_and_value_knows_its_line_and_column() -> None:
    document = parse("a:\n  - b: °C\n    cc: {d: x}\n", "f")
    assert document.place("a", 0, "b") == Place("f", 2, 8)
    assert document.place("a", 0, "cc", "d") == Place("f", 3, 13)
    assert document.key_place("a", 0, "cc", "d") == Place("f", 3, 10)
    assert document.key_place("a", 0, "cc") == Place("f", 3, 5)


def test_columns_count_characters_and_not_bytes() -> None:
    assert parse("a: {unit: °C, b: 1}", "f").key_place("a", "b") == Place("f", 1, 15)


def test_the_place_of_what_is_not_there_is_that_of_what_is_around_it() -> None:
    document = parse("a:\n  b: {c: 1}\n", "f")
    assert document.place("a", "b", "x", "y") == document.place("a", "b")
    assert document.place("z") == Place("f", 1, 1)
    assert document.key_place("a", "b", "x") == document.place("a", "b")


def test_an_alias_stands_for_its_values() -> None:
    document = parse("a: &x {b: 1}\nc: *x\n", "f")
    assert document.data == {"a": {"b": "1"}, "c": {"b": "1"}}


def test_every_duplicate_key_is_told() -> None:
    with pytest.raises(ConfigurationError) as caught:
        parse("a: 1\na: 2\nb: {c: 1, c: 2, ' c': 3}\n", "f")
    assert [str(problem) for problem in caught.value.problems] == [
        "f:2:1: `a` stands twice here, first in line 1. Keep one of them.",
        "f:3:11: `c` stands twice here, first in line 3. Keep one of them.",
        "f:3:17: `c` stands twice here, first in line 3. Keep one of them.",
    ]


def test_an_empty_text_is_an_empty_mapping() -> None:
    assert parse("", "f").data == {}
    assert parse("# nothing yet\n", "f").data == {}


def test_a_file_with_a_byte_order_mark_and_carriage_returns_reads_like_any_other(tmp_path: Path) -> None:
    path = tmp_path / "f.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1\r\nb: 2\r\n")
    document = read(path)
    assert document.data == {"a": "1", "b": "2"}
    assert document.key_place("b") == Place(str(path), 2, 1)


def test_a_folder_in_the_place_of_a_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"cannot be read: is a directory\. Make it a file"):
        read(tmp_path)


def test_a_pipe_in_the_place_of_a_file_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "f.yaml")
    with pytest.raises(ConfigurationError, match=r"this is a pipe\. Put a file in its place"):
        read(tmp_path / "f.yaml")


@pytest.mark.parametrize("break_", ["\u0085", "\u2028", "\u2029"])
def test_a_line_break_that_editors_do_not_count_is_refused(break_: str) -> None:
    with pytest.raises(ConfigurationError, match=rf"f:1:3: the character U\+{ord(break_):04X} cannot stand in a text"):
        parse(f"a:{break_} 1\n", "f")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("a: 1\n b: 2\n", "f:2:3: a colon stands where no key can be. "),
        ("- a\nb: 1\n", "f:2:1: this does not fit the list above it. "),
        ("a: 'it's'\n", "f:1:8: this does not fit what stands above it. "),
        (" a: 1\nb: 2\n", "f:2:1: this line is indented less than the first. "),
        ("a: {b: 1\nc: 2\n", "f:1:4: the bracket that opens here is not closed. "),
        ("a: @x\n", "f:1:4: a value cannot begin with @. Put the value in quotes."),
        ("a: ]\n", "f:1:4: this is no YAML: did not find expected node content. "),
        ("a: [1,", "f:1:7: this is no YAML: did not find expected node content. "),
        ("a:\n  b: 1\n\tc: 2\n", "f:3:1: a tab stands where a line is indented. Indent with blanks."),
    ],
)
def test_broken_yaml_is_explained_where_it_breaks(text: str, sentence: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        parse(text, "f")
    assert str(caught.value).startswith(sentence)
