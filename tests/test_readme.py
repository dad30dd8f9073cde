"""The README's worked example, run as it is printed there, and what it says of the demo."""

from __future__ import annotations

import base64
import json
import re
import struct
from pathlib import Path

import pytest

from aggregator.config.configuration import load
from aggregator.core.access import Party, Right
from aggregator.core.account import Account
from aggregator.core.modbus import Conversation
from aggregator.core.reading import Now, Reason, status_word
from aggregator.core.site import Site
from aggregator.demo.fleet import Fleet
from aggregator.demo.label import label_of
from aggregator.web import pages

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
READER = Party("reader of the README", Right.READ)
HEARD = 1800000000.0  # 2027-01-15T08:00:00Z


def account(site: Site) -> Account:
    return Account("127.0.0.1:5020", "127.0.0.1", Now(0.0, HEARD), site.refusals)


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
    conversation = Conversation(site.units(), READER, account(site))
    rows = re.findall(r"^\| (\d+) \| `([0-9A-F ]+)` \|", README, re.MULTILINE)
    assert len(rows) == 14
    for address, words in rows:
        count = len(words.split())
        request = struct.pack(">HHHBBHH", 1, 0, 6, 1, 4, int(address), count)
        answer = conversation.receive(request, Now(65.0, HEARD + 5))
        assert answer[9:] == bytes.fromhex(words), f"register {address}"


def test_one_read_of_24_registers_covers_the_table(site: Site) -> None:
    request = struct.pack(">HHHBBHH", 1, 0, 6, 1, 4, 196, 24)
    answer = Conversation(site.units(), READER, account(site)).receive(request, Now(65.0, HEARD + 5))
    assert answer[7:9] == bytes((4, 48))


def test_the_silent_meter_turns_to_the_printed_status_after_46_minutes(site: Site) -> None:
    assert "turns to 000A (uncertain, stale) after 46 minutes" in README
    limit = 60.0 + 46 * 60
    site.tick(Now(limit - 0.01, HEARD))
    assert site.states["FT-104"].reasons == 0
    site.tick(Now(limit, HEARD))
    assert status_word(site.states["FT-104"].reasons) == status_word(Reason.STALE) == 0x000A


def test_the_node_that_the_demo_has_linked_is_named_with_its_label_and_its_meters_register() -> None:
    sample = load(ROOT / "config")
    unlinked = Fleet(sample, lambda seconds: seconds).unlinked
    assert unlinked is not None
    section = README.partition("## Link a node in the demo\n")[2].partition("\n## ")[0]
    assert set(re.findall(r"LW:\S+?(?=[` ])", section)) == {label_of(unlinked.node)}
    assert f"`{unlinked.node}`" in section
    assert set(re.findall(r"[A-Z]{2}-\d{3}", section)) == {unlinked.meter.tag}
    device = sample.declared.devices[0]
    (entry,) = (
        each
        for each in device.entries()
        if each.tag == unlinked.meter.tag and each.item.codec and each.item.codec.encoding.type == "float32"
    )
    assert f"input register {entry.address}, a float32 in {entry.item.unit}" in section
    assert f"-a {device.unit_id} -p 5020 -0 -r {entry.address} -c 1 -t 3:float -B" in section


PAGES = ("Overview", "A meter", "Alarms", "Map", "Linking", "Upkeep", "Service")


def test_every_page_is_told_of() -> None:
    section = README.partition("## Pages\n")[2].partition("\n## ")[0]
    assert set(PAGES) > {title for _, title in pages.PAGES.values()}
    assert re.findall(r"^- \*\*(.+?)\*\*:", section, re.MULTILINE) == [*PAGES, "For programs"]
    assert len(section.splitlines()) <= 45  # no longer than a screen
