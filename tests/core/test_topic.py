"""Topic filters against the examples of MQTT 3.1.1 section 4.7 (from memory) and against paho-mqtt's own matcher."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from aggregator.core.topic import matches, problem_with


@pytest.mark.parametrize(
    ("filter_", "topic", "falls_under"),
    [
        # 4.7.1.2, multi-level wildcard
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("#", "sport/tennis", True),
        # 4.7.1.3, single-level wildcard
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        # 4.7.2, topics beginning with $
        ("#", "$SYS/monitor/Clients", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/monitor/Clients", True),
        ("$SYS/monitor/+", "$SYS/monitor/Clients", True),
        # 4.7.3, semantics: case counts, and so does every level
        ("accounts", "Accounts", False),
        ("a/b", "a/b/c", False),
        ("a/b/c", "a/b", False),
    ],
)
def test_filters_match_as_in_the_standard_s_examples(filter_: str, topic: str, falls_under: bool) -> None:
    assert matches(filter_, topic) is falls_under


LEVELS = st.sampled_from(["", "a", "b", "lns"])


@given(
    st.lists(st.one_of(LEVELS, st.just("+")), min_size=1, max_size=4),
    st.booleans(),
    st.lists(st.one_of(LEVELS, st.just("$SYS")), min_size=1, max_size=5).filter(lambda levels: levels != [""]),
)
def test_matching_agrees_with_paho(filter_levels: list[str], ends_in_hash: bool, names: list[str]) -> None:
    filter_ = "/".join([*filter_levels, "#"] if ends_in_hash else filter_levels)
    if filter_:
        assert matches(filter_, "/".join(names)) is topic_matches_sub(filter_, "/".join(names))


@pytest.mark.parametrize(
    ("filter_", "problem"),
    [
        ("lns/alder-fen/+/up", None),
        ("#", None),
        ("+/tennis/#", None),
        ("", "is empty"),
        ("sport/tennis#", "has # elsewhere than alone in its last level"),
        ("sport/tennis/#/ranking", "has # elsewhere than alone in its last level"),
        ("sport+", "has + together with other characters in one level"),
    ],
)
def test_a_wrong_filter_is_named_with_what_is_wrong(filter_: str, problem: str | None) -> None:
    """Valid and invalid filters of MQTT 3.1.1 sections 4.7.1.2 and 4.7.1.3, from memory."""
    assert problem_with(filter_) == problem
