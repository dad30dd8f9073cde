"""Differences between two maps: what pairs, what has moved or changed, what is gone or new."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.address_map import Table
from aggregator.core.difference import differences
from aggregator.core.promise import Line, Term

FLOW = Term(2, "value", "flow", "float32", "high-first", "high-first", unit="m3/h", no_value="NaN", when_stale="hold")
VOLUME = replace(FLOW, item="volume", type="uint32", scale=0.1, unit="m3")


def line(address: int, term: Term = FLOW, owner: str = "FT-101", table: Table = Table.INPUT, unit: int = 1) -> Line:
    return Line(str(unit), unit, table, address, owner, term)


def told(old: list[Line], new: list[Line]) -> list[tuple[str, str, str]]:
    """Name, kinds and changes of each difference."""
    return [(each.line.name, " ".join(each.kinds), "; ".join(map(str, each.changes))) for each in differences(old, new)]


def test_the_same_map_is_no_difference() -> None:
    assert told([line(100), line(102, VOLUME)], [line(102, VOLUME), line(100)]) == []


def test_an_item_at_another_address_or_table_or_unit_has_moved() -> None:
    for other in (line(102), line(100, table=Table.HOLDING), line(100, unit=2)):
        assert told([line(100)], [other]) == [("FT-101 flow", "moved", "")]


def test_an_item_on_other_terms_has_changed_and_each_term_is_told() -> None:
    other = replace(VOLUME, type="uint64", registers=4, scale=0.01, unit="l", words="low-first", no_value="0")
    assert told([line(100, VOLUME)], [line(100, other)]) == [
        (
            "FT-101 volume",
            "changed",
            (
                "registers from 2 to 4; type from uint32 to uint64; order of words from high-first to low-first; "
                "scale from 0.1 to 0.01; unit from m3 to l; no value from NaN to 0"
            ),
        )
    ]
    hidden = replace(line(100), hidden=True)
    assert told([line(100)], [hidden]) == [
        ("FT-101 flow", "changed", "function 03 from answered to not answered"),
    ]


def test_what_finds_no_partner_is_gone_or_new() -> None:
    assert told([line(100)], [line(104, VOLUME)]) == [("FT-101 flow", "gone", ""), ("FT-101 volume", "new", "")]


def test_what_now_stands_where_an_item_was_is_told_since_nothing_else_would_warn_of_it() -> None:
    old, new = [line(100), line(102, owner="FT-102")], [line(100, owner="FT-102")]
    first, second = differences(old, new)
    assert (first.kinds, first.instead) == (["gone", "replaced"], new[0])
    assert (second.kinds, second.instead) == (["moved"], None)


def test_a_value_that_moves_by_one_register_is_not_told_to_be_in_its_own_place() -> None:
    [found] = differences([line(100)], [line(101)])
    assert found.instead is None


def test_of_several_items_of_one_name_the_most_alike_are_paired() -> None:
    """A counter is often shown as a float and as an integer; taking one out must not look like changing the other."""
    as_float, as_integer = replace(FLOW, item="volume"), VOLUME
    old = [line(100, as_float), line(102, as_integer)]
    assert told(old, [line(110, as_integer)]) == [("FT-101 volume", "gone", ""), ("FT-101 volume", "moved", "")]
    swapped = [line(100, as_integer), line(102, as_float)]
    assert [kinds for _, kinds, _ in told(old, swapped)] == ["changed", "changed"]


LINES = st.lists(
    st.builds(
        line,
        st.integers(0, 8).map(lambda at: 2 * at),
        st.sampled_from([FLOW, VOLUME, replace(VOLUME, scale=1.0)]),
        st.sampled_from(["FT-101", "FT-102"]),
    ),
    max_size=8,
    unique_by=lambda each: each.address,
)


@given(LINES, LINES)
def test_every_line_is_the_same_on_both_sides_or_in_exactly_one_difference(old: list[Line], new: list[Line]) -> None:
    found = differences(old, new)
    was = [each.was for each in found if each.was is not None]
    now = [each.now for each in found if each.now is not None]
    assert sorted(line.address for line in was) == sorted(line.address for line in old if line not in new)
    assert sorted(line.address for line in now) == sorted(line.address for line in new if line not in old)
    for each in found:
        assert each.kinds
        if each.was is not None and each.now is not None:
            assert each.was.name == each.now.name
    # What is told gone and new had no partner of its name left.
    gone = {each.line.name for each in found if each.now is None}
    assert not gone & {each.line.name for each in found if each.was is None}
