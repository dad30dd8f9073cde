"""JSON Pointers against the examples of RFC 6901 section 5 (verified) and against the library's own look-up."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonpointer import JsonPointer, escape

from aggregator.core.pointer import Pointer, pointer_to

DOCUMENT = json.loads(r'{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}')


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_rfc_s_examples_find_their_values(text: str, value: object) -> None:
    assert Pointer(text).find(DOCUMENT) == value


@pytest.mark.parametrize("text", ["/foo/2", "/foo/01", "/foo/-", "/foo/-1", "/foo/0/0", "/nope", "/foo/bar"])
def test_what_is_not_there_is_none(text: str) -> None:
    """RFC 6901 section 4: no leading zeros in an index, and `-` is past the end."""
    assert Pointer(text).find(DOCUMENT) is None


@pytest.mark.parametrize("text", ["foo", "/~2", "/a~"])
def test_what_is_no_pointer_is_refused_when_it_is_written(text: str) -> None:
    with pytest.raises(ValueError, match=r"pointer|escape|start"):
        Pointer(text)


def test_escapes_are_undone_in_the_order_of_the_rfc() -> None:
    """RFC 6901 section 4: ~1 first, then ~0, so that ~01 is ~1 and not /."""
    assert Pointer("/~01").find({"~1": "tilde one", "/": "slash"}) == "tilde one"


def test_a_null_counts_as_nothing() -> None:
    assert Pointer("/a").find({"a": None}) is None


def test_a_pointer_prints_as_it_was_written() -> None:
    assert str(Pointer("/a~1b/0")) == "/a~1b/0"


DOCUMENTS = st.recursive(
    st.integers() | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=12,
)


@given(DOCUMENTS, st.data())
def test_every_place_of_a_document_is_found_as_the_library_finds_it(document: Any, data: st.DataObject) -> None:
    text, here = "", document
    step: Any
    while isinstance(here, dict | list) and here and data.draw(st.booleans()):
        step = data.draw(st.sampled_from(sorted(here) if isinstance(here, dict) else range(len(here))))
        text += "/" + escape(str(step))
        here = here[step]
    assert Pointer(text).find(document) == JsonPointer(text).resolve(document) == here


@pytest.mark.parametrize("key", ["methane", "~methane", "a/b", "~1", ""])
def test_a_pointer_to_a_key_finds_it_whatever_stands_in_it(key: str) -> None:
    """RFC 6901 section 3: ~ and / are escaped."""
    assert pointer_to(key).find({key: 1}) == 1
