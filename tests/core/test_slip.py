"""What a name that nobody knows was probably meant to be."""

from __future__ import annotations

from aggregator.core.slip import near, no_meter


def test_the_near_name_is_offered_whatever_its_case() -> None:
    assert near("ft-101", ["FT-101", "AT-201"], "There are") == "Write `FT-101`, if that is what was meant"


def test_without_a_near_name_all_are_listed_and_a_long_list_is_cut() -> None:
    assert near("x", ["one", "two"], "There are") == "There are one, two"
    assert near("x", ["one", "two", "three"], "There are", show=2) == "There are one, two, ..."
    assert near("x", [], "There are") == "There are none"


def test_a_tag_without_its_dash_is_told_with_the_one_that_is_meant() -> None:
    assert (
        no_meter("FT101", ["FT-101", "AT-201"]) == "there is no meter FT101. Write `FT-101`, if that is what was meant."
    )
