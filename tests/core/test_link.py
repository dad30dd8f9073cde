"""A link on record, and back from what was kept of it."""

from __future__ import annotations

import json

import pytest

from aggregator.core.agreement import Bounds, Check
from aggregator.core.decoding import Read
from aggregator.core.errors import CannotLink
from aggregator.core.keeping import ClockState
from aggregator.core.link import LONGEST, End, Link, Seen
from aggregator.core.uplink import Radio

BARE = Link(7, "FT-101", "70b3d57ed0000009", 1.8e9, 1.8e9 + 60.5, "fitter")
AGREES = Check(1.8e9 + 900, "fitter", "flow", 12.5, 12.6, "m3/h", 30.0, Bounds(5.0, 5.0))
OFF = Check(1.8e9 + 950, "fitter", "methane", 9.0, 1.0, "%LEL", 30.0, Bounds(1.0, 1.0))
FULL = Link(
    8,
    "FT-101",
    "70b3d57ed0000009",
    1.8e9,
    1.8e9 + 60,
    "fitter",
    ClockState.UNTRUSTED,
    by_file=True,
    place="north wall",
    antenna="on the roof",
    note="label worn",
    photo="link-8.jpg",
    label={"serial": "YYWWNNNNNN"},
    seen=Seen(1.8e9 - 5, Radio(-101.0, 5.5, 9), (Read("flow", "flow", 12.6, "m3/h", 0),)),
    checks=(AGREES, OFF),
    end=End(1.9e9, "technician", "meter exchanged"),
)


@pytest.mark.parametrize("link", [BARE, FULL], ids=["bare", "with all there can be"])
def test_what_is_kept_of_a_link_comes_back_as_it_was(link: Link) -> None:
    kept = link.as_kept()
    text = json.dumps(kept.record, allow_nan=False)
    assert Link.from_kept(kept._replace(record=json.loads(text))) == link


def test_a_link_that_has_ended_says_when_among_its_columns() -> None:
    assert (BARE.as_kept().until, FULL.as_kept().until) == (None, 1.9e9)


def test_a_link_is_verified_where_every_field_agreed_the_last_time() -> None:
    assert BARE.verified is None
    assert BARE.checked((AGREES,)).verified is True
    assert BARE.checked((AGREES, OFF)).verified is False


@pytest.mark.parametrize("name", sorted(LONGEST))
def test_a_note_has_its_longest_length(name: str) -> None:
    assert getattr(BARE.noted({name: "x" * LONGEST[name]}), name) == "x" * LONGEST[name]
    with pytest.raises(CannotLink, match=f"{name} is one line of up to {LONGEST[name]} characters"):
        BARE.noted({name: "x" * (LONGEST[name] + 1)})
