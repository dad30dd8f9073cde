"""The examples in docstrings hold: whoever reads one may rely on it."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "aggregator"
WITH_EXAMPLES = [
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)
    for path in sorted(PACKAGE.rglob("*.py"))
    if ">>> " in path.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_the_examples_of_a_module_hold(name: str) -> None:
    failed, tried = doctest.testmod(importlib.import_module(name.removesuffix(".__init__")))
    assert tried
    assert not failed
