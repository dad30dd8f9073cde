"""map.frozen.yaml: what is written is what is read, damage is told with its line, and a site's loading holds to it."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.config.configuration import load
from aggregator.config.frozen import FILE, Frozen, Issue, frozen_text, read_frozen, read_frozen_file
from aggregator.core.address_map import Table
from aggregator.core.errors import ConfigurationError
from aggregator.core.freeze import freeze
from aggregator.core.promise import Promise, Term, promises_of

SAMPLE = Path(__file__).parents[2] / "config"
ISSUE = Issue("Alder Fen biogas works", "7", "1a2b3c4d")


def freeze_all(site: Path) -> Path:
    """Freeze all of a site, as the command does."""
    path = site / FILE
    promises = promises_of(load(site).declared.devices)
    path.write_text(frozen_text(Frozen(ISSUE, tuple(promises))), encoding="utf-8")
    return path


def problems_of(site: Path) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        load(site)
    return [str(problem).removeprefix(f"{site}/") for problem in caught.value.problems]


def change(site: Path, old: str, new: str, name: str = "map.yaml") -> None:
    text = (site / name).read_text(encoding="utf-8")
    assert text.count(old) == 1
    (site / name).write_text(text.replace(old, new), encoding="utf-8")


# What is written is what is read

# No word of a site has control characters or lone blanks: config/document.py refuses what YAML forbids.
WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=8)
NUMBERS = st.floats(-1e12, 1e12).map(lambda number: number or 1.0)
TERMS = st.builds(
    Term,
    st.integers(1, 64),
    WORDS,
    WORDS,
    st.sampled_from(["uint16", "float64", "text"]),
    st.sampled_from(["", "high-first", "low-first"]),
    st.sampled_from(["", "high-first", "low-first"]),
    NUMBERS,
    NUMBERS,
    st.one_of(st.just(""), WORDS),
    st.one_of(st.just(""), st.sampled_from(["NaN", "-9999", "18446744073709551615", "-1.5"])),
    st.sampled_from(["", "hold", "refuse"]),
)
BLOCKS = st.lists(
    st.tuples(
        st.sampled_from([("1", 1), ("2", 2), ("boilers", 1)]),
        st.sampled_from(list(Table)),
        st.integers(0, 20).map(lambda at: 100 * at),
        WORDS,
        st.lists(TERMS, min_size=1, max_size=3),
        st.sets(st.integers(0, 2)),
    ),
    max_size=8,
    unique_by=lambda each: each[:3],
)


def promise(
    device: tuple[str, int], table: Table, start: int, owner: str, terms: list[Term], hidden: set[int]
) -> Promise:
    here = frozenset(hidden) if table is Table.INPUT else frozenset()
    return Promise(
        device[0],
        device[1],
        table,
        start,
        100,
        owner,
        tuple((2 * (at // 2), term) for at, term in enumerate(terms)),
        here,
        kind="flow-point",
    )


@given(BLOCKS)
def test_every_promise_comes_back_as_it_was(tmp_path_factory: pytest.TempPathFactory, drawn: list[Any]) -> None:
    promises = freeze([], (promise(*each) for each in drawn))
    path = tmp_path_factory.mktemp("frozen") / FILE
    path.write_text(frozen_text(Frozen(ISSUE, tuple(promises))), encoding="utf-8")
    back = read_frozen_file(path)
    assert list(back.promises) == promises
    assert back.issue == ISSUE
    assert frozen_text(back) == path.read_text(encoding="utf-8")


def test_a_site_s_own_map_comes_back_as_it_was(good_site: Path) -> None:
    promises = promises_of(load(good_site).declared.devices)
    path = freeze_all(good_site)
    assert list(read_frozen_file(path).promises) == promises
    assert load(good_site).frozen == tuple(promises)


def test_an_item_is_one_line_and_so_is_a_block(good_site: Path) -> None:
    """So that a comparison of two of these files names one line an item."""
    text = freeze_all(good_site).read_text(encoding="utf-8")
    assert (
        "    - {at: 4, shows: value, item: volume, as: uint32, registers: 2, words: high-first, bytes: high-first, "
        "scale: 0.01, unit: m3, no_value: 4294967295, stale: hold}\n"
    ) in text
    assert "\n      100-123: flow-point.input FT-101\n      124-147: spare\n" in text


def test_a_site_without_the_file_has_nothing_frozen(good_site: Path) -> None:
    assert read_frozen(good_site) is None
    assert load(good_site).frozen == ()


# Damage


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("format: 1", "format: 2", r"4:9: `format`: `2` is not possible"),
        ("units:", "unit:", r"\d+:1: `unit` is no key here\. Write `units`"),
        ("at: 0, shows: status", "at: 0", r"\d+:\d+: `shows` is missing"),
        ("100-123: flow", "123-100: flow", r"\d+:7: `123-100` is no run of addresses"),
        ("100-123: flow", "100: flow", r"\d+:7: `100` is no run of addresses"),
        (
            "100-123: flow-point.input FT-101",
            "100-123: flow-pint.input FT-101",
            r"\d+:\d+: `flow-pint.input FT-101` is",
        ),
        ("100-123: flow-point.input FT-101", "100-123: flow-point.input", r"\d+:\d+: `flow-point.input` is neither"),
        (
            "      100-123: flow-point.input FT-101\n",
            "",
            r"8:8: \d+ items are said to be frozen, and \d+ are in the file",
        ),
        ("terms:\n", "terms: [\n", r"\d+:\d+: "),
    ],
    ids=range(9),
)
def test_a_damaged_file_is_told_with_its_line_and_nothing_is_thawed_by_it(
    good_site: Path, old: str, new: str, problem: str
) -> None:
    path = freeze_all(good_site)
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    assert any(re.match(rf"{re.escape(FILE)}:{problem}", each) for each in problems_of(good_site)), problems_of(
        good_site
    )


def test_a_file_cut_short_anywhere_is_never_taken_for_a_whole_one(good_site: Path) -> None:
    path = freeze_all(good_site)
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    last_item = max(at for at, line in enumerate(lines) if "spare" not in line and ": " in line)
    for end in range(last_item):
        path.write_text("".join(lines[:end]), encoding="utf-8")
        assert problems_of(good_site), end


# Holding a site to it


def test_a_map_that_breaks_what_is_frozen_is_refused_and_all_of_it_is_named(good_site: Path) -> None:
    freeze_all(good_site)
    change(good_site, "meters: [FT-101, spare, FT-102]", "meters: [FT-101, FT-102]")
    change(good_site, "1: {field: methane}", "1: {field: methane, as: uint32}")
    problems = problems_of(good_site)
    assert all(problem.startswith("map.yaml:") for problem in problems)
    for what in ("FT-102 would move from input registers 148-171", "FT-102 would move from discrete inputs 116-123"):
        assert any(what in problem for problem in problems), what
    assert sum("methane of AT-201, AT-202" in problem for problem in problems) == 1


def test_new_items_new_meters_and_other_names_are_free(good_site: Path) -> None:
    freeze_all(good_site)
    change(
        good_site,
        "meters: [FT-101, spare, FT-102]",
        "meters: [FT-101, AT-201, FT-102, spare]".replace("AT-201", "spare"),
    )
    change(good_site, "{0: bad, 1: stale}", "{0: bad, 1: stale, 2: uncertain}")
    change(good_site, "note: total", "note: the whole of it")
    assert load(good_site).frozen


def test_a_map_that_is_wrong_by_itself_is_told_for_that_alone(good_site: Path) -> None:
    freeze_all(good_site)
    change(good_site, "meters: [FT-101, spare, FT-102]", "meters: [FT-109, FT-101, spare, FT-102]")
    assert [problem.split(". ")[0] for problem in problems_of(good_site)] == [
        "map.yaml:35:18: there is no meter `FT-109`"
    ]


def test_a_map_may_be_loaded_without_holding_it_to_what_is_frozen_to_compare_it(good_site: Path) -> None:
    freeze_all(good_site)
    change(good_site, "meters: [FT-101, spare, FT-102]", "meters: [FT-101, FT-102]")
    assert load(good_site, hold_frozen=False).declared.meters


def test_the_freeze_of_thousands_of_meters_costs_a_fraction_of_loading_them(good_site: Path) -> None:
    """A site of 2000 meters: what the freeze adds to its loading, within the same run."""
    tags = [f"FT-{1000 + at}" for at in range(2000)]
    meters = "".join(f"  - {{tag: {tag}, name: point, profile: flow, reports_every: 15 min}}\n" for tag in tags)
    (good_site / "meters.yaml").write_text(f"meters:\n{meters}", encoding="utf-8")
    row = f"{{layout: point, input: {{from: 0, every: 24}}, meters: [{', '.join(tags)}]}}"
    (good_site / "map.yaml").write_text(
        f"layouts: {{point: {{input: {{0: status, 1: age}}}}}}\ndevices: [{{unit: 1, place: [{row}]}}]\n",
        encoding="utf-8",
    )
    begun = time.perf_counter()
    load(good_site)
    bare = time.perf_counter() - begun
    freeze_all(good_site)
    begun = time.perf_counter()
    assert len(load(good_site).frozen) == 2000
    held = time.perf_counter() - begun
    assert held < 3 * bare + 1, (bare, held)
