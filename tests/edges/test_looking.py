"""What the control socket tells of meters and of what was kept: the same for pages, programs and people."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.control import Refused, ask

if TYPE_CHECKING:
    from tests.edges.conftest import Rig, Service

Command = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def asked(rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any]) -> Callable[..., Any]:
    """A running service that has taken ten uplinks, and how to ask it."""
    live = rig()
    for number in range(10):
        live.publisher.send(uplink(number, flow=float(number)))

    def do(what: str, **request: object) -> dict[str, Any]:
        return ask(live.folder / "data", {"do": what, **request})

    until(lambda: do("status")["store_committed"] >= 10)
    return do


@pytest.mark.peer("mosquitto")
def test_a_meter_is_told_whole_and_many_in_a_line_each(asked: Callable[..., Any]) -> None:
    meter = asked("meter", tag="FT-101")
    flow = next(each for each in meter["fields"] if each["field"] == "flow")
    assert flow["value"] == 9.0
    assert meter["age"] is not None
    raw = asked("uplinks", tag="FT-101")["uplinks"]
    assert [each["counter"] for each in raw] == [9, 8, 7, 6, 5]
    step = next(each for each in raw[0]["steps"] if each["field"] == "flow")
    assert (step["raw"], step["value"], step["quality"]) == (9.0, 9.0, "good")
    told = asked("meters")
    assert {each["tag"] for each in told["meters"]} >= {"FT-101", "FT-102"}
    assert told["meters"][0]["trouble"] >= told["meters"][-1]["trouble"]
    line = next(each for each in told["meters"] if each["tag"] == "FT-101")
    assert line["says"] == meter["says"]
    one = asked("meters", most=1)
    assert (len(one["meters"]), one["count"]) == (1, told["count"])
    assert [each["tag"] for each in asked("meters", tags=["FT-102"])["meters"]] == ["FT-102"]


@pytest.mark.peer("mosquitto")
def test_a_chart_and_pages_are_told_of_what_was_kept(asked: Callable[..., Any]) -> None:
    now = time.time()
    chart = asked("chart", tag="FT-101", field="flow", since=now - 86400, until=now + 86400)
    assert [each["value"] for each in chart["samples"]] == [float(each) for each in range(10)]
    assert (chart["unit"], chart["count"], chart["buckets"]) == ("m3/h", 10, [])
    few = asked("chart", tag="FT-101", field="flow", since=now - 86400, until=now + 86400, most=4)
    assert sum(each["count"] for each in few["buckets"]) == 10
    assert (few["buckets"][0]["first"][1], few["buckets"][-1]["last"][1]) == (0.0, 9.0)
    assert few["samples"] == []
    page = asked("readings", tag="FT-101", fields=["flow"], most=6)
    rest = asked("readings", tag="FT-101", fields=["flow"], most=6, after=page["after"])
    assert [row["value"] for row in page["rows"] + rest["rows"]] == [float(each) for each in reversed(range(10))]
    assert rest["after"] is None
    asked("test", tag="FT-101", on=True, who="fitter")
    asked("test", tag="FT-102", on=True, who="foreman")

    def journal(**sought: object) -> list[tuple[str, str]]:
        return [(row["tag"], row["who"]) for row in asked("journal", **sought)["rows"]]

    until = time.monotonic() + 10
    while len(journal(events=["meter taken into test"])) < 2:  # they are on disk in a moment
        assert time.monotonic() < until
    assert journal(events=["meter taken into test"], people=["fitter"]) == [("FT-101", "fitter")]
    assert journal(tags=["FT-102"]) == [("FT-102", "foreman")]
    assert journal(alarms=["no such alarm"]) == []


WRONG: list[tuple[str, dict[str, object], str]] = [
    ("meter", {"tag": "FT-999"}, "no meter FT-999"),
    ("uplinks", {"tag": "FT-999"}, "no meter FT-999"),
    ("meters", {"areas": ["nowhere"]}, "there is no area nowhere"),
    ("meters", {"tags": "FT-101"}, "is a list"),
    ("meters", {"most": 0}, "at least 1"),
    ("meters", {"trouble": "yes"}, "true or false"),
    ("chart", {"tag": "FT-101"}, "`field` is a text"),
    ("chart", {"tag": "FT-101", "field": "flow", "since": 5, "until": 5}, "`since` is before `until`"),
    ("chart", {"tag": "FT-101", "field": "flow", "since": "5"}, "UTC seconds"),
    ("readings", {"tag": "FT-101", "after": "1; DROP TABLE uplink"}, "what the page before told"),
    ("journal", {"tags": [5]}, "is a list"),
    ("journal", {"after": 5}, "what the page before told"),
]


def test_a_wrong_question_is_answered_with_a_sentence(
    site: Callable[..., Path], service: Callable[..., Service]
) -> None:
    folder = site()
    service(folder)
    for what, request, says in WRONG:
        with pytest.raises(Refused, match=says):
            ask(folder / "data", {"do": what, **request})


@pytest.mark.peer("mosquitto")
def test_the_figures_of_the_alarms_are_told_as_on_the_command_line(asked: Callable[..., Any]) -> None:
    told = asked("alarm figures", since=time.time() - 3600)
    assert (told["announced"], told["worst"], len(told["figures"])) == (0, [], 12)
    with pytest.raises(Refused, match="`since` is a time"):
        asked("alarm figures", since="soon")
