"""The README's worked example, run as it is printed there."""

from __future__ import annotations

import base64
import json
import re
import struct
from pathlib import Path

import pytest

from aggregator.config import load
from aggregator.core.modbus import Conversation
from aggregator.core.reading import Now, Reason, status_word
from aggregator.core.site import Site

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
HEARD = 1800000000.0  # 2027-01-15T08:00:00Z


@pytest.fixture
def message() -> bytes:
    block = re.search(r"```json\n(.*?)```", README, re.DOTALL)
    assert block
    return block[1].encode()


@pytest.fixture
def site(message: bytes) -> Site:
    site = Site(load(ROOT / "config").declared, Now(0.0, HEARD - 60))
    notes = site.receive("lns/alder-fen/ft-104/up", message, retained=False, now=Now(60.0, HEARD))
    assert not notes
    return site


def test_the_bytes_in_the_example_are_those_in_its_json(message: bytes) -> None:
    line = re.search(r"^    (01 03 12 .*)$", README, re.MULTILINE)
    assert line
    assert bytes.fromhex(line[1]) == base64.b64decode(json.loads(message)["frame"]["data"])


def test_every_row_of_the_register_table_reads_as_printed(site: Site) -> None:
    conversation = Conversation(site.units(), "reader of the README")
    rows = re.findall(r"^\| (\d+) \| `([0-9A-F ]+)` \|", README, re.MULTILINE)
    assert len(rows) == 14
    for address, words in rows:
        count = len(words.split())
        request = struct.pack(">HHHBBHH", 1, 0, 6, 1, 4, int(address), count)
        answer = conversation.receive(request, Now(65.0, HEARD + 5))
        assert answer[9:] == bytes.fromhex(words), f"register {address}"


def test_one_read_of_24_registers_covers_the_table(site: Site) -> None:
    request = struct.pack(">HHHBBHH", 1, 0, 6, 1, 4, 196, 24)
    answer = Conversation(site.units(), "reader").receive(request, Now(65.0, HEARD + 5))
    assert answer[7:9] == bytes((4, 48))


def test_the_silent_meter_turns_to_the_printed_status_after_46_minutes(site: Site) -> None:
    assert "turns to 000A (uncertain, stale) after 46 minutes" in README
    limit = 60.0 + 46 * 60
    site.tick(Now(limit - 0.01, HEARD))
    assert site.states["FT-104"].reasons == 0
    site.tick(Now(limit, HEARD))
    assert status_word(site.states["FT-104"].reasons) == status_word(Reason.STALE) == 0x000A
