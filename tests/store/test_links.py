"""Links in the store: kept as they were last, remembered whole, read by people, and saved from a damaged file."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from aggregator.core.keeping import KeptLink
from aggregator.core.link import End, Link
from aggregator.store import Store

BEGIN = 1_790_000_000.0  # as in conftest.py
Open = Callable[..., Store]
LINK = Link(1, "FT-101", "0a1def0000000001", BEGIN + 0.25, BEGIN + 60, "fitter", place="north wall")
ENDED = Link(**{**{name: getattr(LINK, name) for name in LINK.__slots__}, "end": End(BEGIN + 900, "lead", "worn")})
OTHER = Link(2, "FT-101", "0a1def0000000002", BEGIN + 900, BEGIN + 900, "fitter")


def test_of_each_link_what_was_kept_last_is_remembered(open_store: Open) -> None:
    store = open_store()
    store.put([LINK.as_kept()])
    store.put([ENDED.as_kept(), OTHER.as_kept()])
    store.close()
    assert [Link.from_kept(each) for each in open_store().remembered()["FT-101"].links] == [ENDED, OTHER]


def test_links_read_as_people_read(open_store: Open, path: Path) -> None:
    store = open_store()
    store.put([ENDED.as_kept(), OTHER.as_kept()])
    store.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        first, second = (dict(row) for row in connection.execute("SELECT * FROM links ORDER BY since"))
    assert first == {
        "tag": "FT-101",
        "node": "0a1def0000000001",
        "since": "2026-09-21T14:13:20.250Z",
        "until": "2026-09-21T14:28:20.000Z",
        "who": "fitter",
        "ended_by": "lead",
        "why": "worn",
        "place": "north wall",
        "antenna": "",
        "note": "",
        "photo": None,
        "compared": 0,
    }
    assert (second["until"], second["ended_by"], second["why"]) == (None, None, None)


def test_links_are_saved_from_a_file_that_is_damaged(open_store: Open, path: Path) -> None:
    store = open_store()
    store.put([LINK.as_kept()])
    store.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("INSERT INTO state VALUES ('FT-102', 'alarm', 'no JSON')")  # what a start cannot read
        connection.commit()
    store = open_store()
    assert "is damaged" in store.notes[0]
    kept: list[KeptLink] = store.remembered()["FT-101"].links
    assert [Link.from_kept(each) for each in kept] == [LINK]
