"""Tables as a terminal of 80 columns shows them (the width of a VT100's screen, `from memory`): nothing is cut."""

from __future__ import annotations

import pytest

from aggregator.terminal.links import print_progress
from aggregator.terminal.tables import print_rows

NOTE = "the reading of a node that nobody has held against the display since the meter was exchanged"


@pytest.fixture(autouse=True)
def _of_80_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def lines(capsys: pytest.CaptureFixture[str]) -> list[str]:
    said = capsys.readouterr().out.splitlines()
    assert max(map(len, said)) <= 80
    return said


def test_a_text_is_folded_beside_what_tells_one_row_from_another(capsys: pytest.CaptureFixture[str]) -> None:
    print_rows(("tag", "age", "note"), [{"tag": "FT-101", "age": "7", "note": NOTE}], numbers=("age",))
    said = lines(capsys)
    assert said[0] == "tag     age  note"
    assert said[1].startswith("FT-101    7  the reading of a node")
    assert " ".join(" ".join(said[1:]).split()).endswith(NOTE)


def test_what_does_not_fit_goes_on_in_a_second_line(capsys: pytest.CaptureFixture[str]) -> None:
    columns = ("tag", "node", "by", "since")
    print_rows(columns, [{"tag": "FT-101", "node": "x" * 60, "by": "mara", "since": "2027-01-15 08:00"}])
    assert lines(capsys) == [
        "tag     " + "node".ljust(60) + "  by",
        "  since",
        "FT-101  " + "x" * 60 + "  mara",
        "  2027-01-15 08:00",
    ]


def test_a_word_longer_than_the_screen_is_folded_and_whole(capsys: pytest.CaptureFixture[str]) -> None:
    print_rows(("tag", "item"), [{"tag": "FT-101", "item": "y" * 200}])
    assert "".join(lines(capsys)).count("y") == 200


def test_a_table_of_nothing_has_its_titles(capsys: pytest.CaptureFixture[str]) -> None:
    print_rows(("tag", "item"), [])
    assert lines(capsys) == ["tag  item"]


def test_links_name_each_meter_node_and_time_in_full(capsys: pytest.CaptureFixture[str]) -> None:
    meter = {
        "tag": "FT-101",
        "name": "Digester 1 raw biogas to the upgrading plant",
        "area": "digesters and gas storage",
        "stage": "verified",
        "node": "70b3d57ed0000101",
        "by_file": False,
        "who": "mara",
        "since": 1.8e9,
        "age": 120.0,
    }
    counts = {"meters": 1, "linked": 1, "heard": 1, "verified": 1, "not_yet": 0, "disagree": 0}
    print_progress({"counts": counts, "nodes_on_no_meter": 0, "meters": [meter], "count": 1})
    said = "\n".join(lines(capsys))
    for text in ("FT-101", "verified", "70b3d57ed0000101", "mara", "2027-01-15 08:00:00 UTC", "2 min ago"):
        assert text in said
    assert "…" not in said
