"""Settings: kept within their limits, whole or not at all, and once however often they are asked for."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping

import pytest

from aggregator.core.access import EVERYTHING, Party, Right
from aggregator.core.address_map import Block, Device, Item, Layout, Shows, Table
from aggregator.core.encoding import Encoding, ItemCodec, Order, Scale
from aggregator.core.errors import Place
from aggregator.core.functions import respond
from aggregator.core.keeping import SITE, Kept, KeptEvent, KeptState, Remembered
from aggregator.core.outbox import Outbox
from aggregator.core.reading import Now
from aggregator.core.setting import OutsideLimits, Setting, Settings
from aggregator.core.site import Declared, Site

LIMIT = Setting("gas_limit", "m3/h", "gas that the boilers may take", 0.1, 900.0, 600.0)
PANEL = Party("192.0.2.7:50000", EVERYTHING)
NAME = "gas_limit"
Later = Callable[[float], Now]


@pytest.fixture
def settings() -> Settings:
    return Settings([LIMIT], Outbox())


def codec(kind: str, scale: float = 1.0, conversion: Scale = Scale(), words: Order = Order.HIGH_FIRST) -> ItemCodec:  # noqa: B008 - frozen
    return ItemCodec(Encoding.number(kind, words), Scale(scale), conversion=conversion)


# To write: a float32 at 0, tenths at 2, m3/min at 3 (1 m3/h = 1/60 m3/min), low word first at 4. To read: at 100 on.
HOLDING = (
    Item(Table.HOLDING, 0, Shows.SETTING, NAME, codec("float32"), "m3/h"),
    Item(Table.HOLDING, 2, Shows.SETTING, NAME, codec("uint16", 0.1), "m3/h"),
    Item(Table.HOLDING, 3, Shows.SETTING, NAME, codec("uint16", 0.01, Scale(1 / 60)), "m3/min"),
    Item(Table.HOLDING, 4, Shows.SETTING, NAME, codec("int32", words=Order.LOW_FIRST), "m3/h"),
    Item(Table.HOLDING, 6, Shows.SCRATCH, "page", codec("uint16")),
)
INPUT = (Item(Table.INPUT, 100, Shows.SETTING, NAME, codec("float32"), "m3/h"),)


@pytest.fixture
def site_of(start: Now) -> Callable[..., Site]:
    def build(setting: Setting = LIMIT) -> Site:
        layout = Layout("panel", (*HOLDING, *INPUT))
        blocks = (
            Block(Table.HOLDING, 0, 7, layout, None, "panel", Place("")),
            Block(Table.INPUT, 0, 102, layout, None, "panel", Place("")),
        )
        return Site(Declared("Alder Fen biogas works", (), (), (Device(1, blocks),), settings=(setting,)), start)

    return build


def ask(site: Site, pdu: bytes, who: Party = PANEL) -> bytes:
    return respond(site.images[1], pdu, who, Now(5000.0, 1e9))


def write(site: Site, start: int, data: bytes, who: Party = PANEL) -> bytes:
    return ask(site, struct.pack(">BHHB", 16, start, len(data) // 2, len(data)) + data, who)


def read(site: Site, table: int, start: int, count: int) -> bytes:
    answer = ask(site, struct.pack(">BHH", table, start, count))
    assert answer[0] == table, answer.hex()
    return answer[2:]


def events(kept: list[Kept]) -> list[tuple[str, Mapping[str, object]]]:
    return [
        (each.event, each.facts) for each in kept if isinstance(each, KeptEvent) and each.event.startswith("setting")
    ]


SiteOf = Callable[..., Site]
REFUSED = bytes.fromhex("9003")


def test_before_anybody_sets_it_a_setting_is_what_the_file_says(site_of: SiteOf) -> None:
    site = site_of()
    assert read(site, 3, 0, 2) == struct.pack(">f", 600.0)
    assert read(site, 4, 100, 2) == struct.pack(">f", 600.0)


@pytest.mark.parametrize(
    ("address", "data", "value"),
    [
        (0, struct.pack(">f", 250.5), 250.5),
        (2, struct.pack(">H", 2505), 250.5),
        (3, struct.pack(">H", 500), 300.0),  # 5.00 m3/min = 300 m3/h
        (4, struct.pack(">HH", 250, 0), 250.0),
    ],
)
def test_a_setting_is_written_in_any_type_and_read_back_in_all(
    site_of: SiteOf, address: int, data: bytes, value: float
) -> None:
    site = site_of()
    assert write(site, address, data)[0] == 16
    assert site.settings.effective(NAME) == pytest.approx(value)
    assert read(site, 3, address, len(data) // 2) == data
    assert struct.unpack(">f", read(site, 3, 0, 2))[0] == pytest.approx(value)
    assert struct.unpack(">f", read(site, 4, 100, 2))[0] == pytest.approx(value)


@pytest.mark.parametrize("value", [900.1, 0.0, -5.0, 1e30, float("nan"), float("inf")])
def test_a_value_outside_the_limits_is_refused_and_changes_nothing(site_of: SiteOf, value: float) -> None:
    site = site_of()
    write(site, 0, struct.pack(">f", 250.0))
    site.take_kept()
    assert write(site, 0, struct.pack(">f", value)) == REFUSED
    assert read(site, 3, 0, 2) == struct.pack(">f", 250.0)
    assert events(site.take_kept()) == []


@pytest.mark.parametrize("value", [0.1, 900.0])
def test_a_limit_itself_may_be_set_whatever_the_registers_make_of_it(site_of: SiteOf, value: float) -> None:
    """0.1 in a float32 is 0.100000001490116 (IEEE 754-2019 section 3.4): above it, yet the lowest there is."""
    site = site_of()
    assert write(site, 0, struct.pack(">f", value))[0] == 16
    assert site.settings.effective(NAME) == value


def test_half_of_a_setting_is_refused(site_of: SiteOf) -> None:
    site = site_of()
    assert write(site, 0, bytes(2)) == REFUSED
    assert write(site, 1, bytes(2)) == REFUSED
    assert ask(site, bytes.fromhex("06 0000 0001")) == bytes.fromhex("8603")
    assert read(site, 3, 0, 2) == struct.pack(">f", 600.0)


def test_a_request_with_one_wrong_value_changes_none(site_of: SiteOf) -> None:
    site = site_of()
    assert write(site, 4, struct.pack(">HHH", 2000, 0, 7)) == REFUSED
    assert read(site, 3, 4, 3) == struct.pack(">HHH", 600, 0, 0)
    assert write(site, 4, struct.pack(">HHH", 700, 0, 7))[0] == 16
    assert read(site, 3, 4, 3) == struct.pack(">HHH", 700, 0, 7)


def test_who_may_only_read_sets_nothing(site_of: SiteOf) -> None:
    site = site_of()
    assert write(site, 0, struct.pack(">f", 250.0), Party("192.0.2.8", Right.READ)) == bytes.fromhex("9001")
    assert site.settings.effective(NAME) == 600.0


def test_a_change_is_journalled_with_who_old_and_new_and_a_retry_is_not(site_of: SiteOf) -> None:
    site = site_of()
    for _ in range(3):
        write(site, 0, struct.pack(">f", 250.0))
    kept = site.take_kept()
    assert events(kept) == [("setting changed", {"setting": NAME, "old": 600.0, "new": 250.0, "unit": "m3/h"})]
    changed = next(each for each in kept if isinstance(each, KeptEvent) and each.event == "setting changed")
    assert changed.who == PANEL.name
    assert sum(isinstance(each, KeptState) for each in kept) == 1


def test_a_setting_outlives_a_restart(
    site_of: SiteOf, remembered: Callable[[list[Kept]], dict[str, Remembered]], later: Later
) -> None:
    before = site_of()
    write(before, 0, struct.pack(">f", 250.0))
    after = site_of()
    after.restore(remembered(before.take_kept()), later(60.0))
    assert read(after, 3, 0, 2) == read(after, 4, 100, 2) == struct.pack(">f", 250.0)
    assert after.settings.asked[NAME].who == PANEL.name


def test_limits_drawn_closer_hold_what_was_asked_for_and_say_so(
    site_of: SiteOf, remembered: Callable[[list[Kept]], dict[str, Remembered]], later: Later
) -> None:
    before = site_of()
    write(before, 0, struct.pack(">f", 850.0))
    after = site_of(Setting(NAME, "m3/h", "", 0.0, 700.0, 600.0))
    after.restore(remembered(before.take_kept()), later(60.0))
    assert read(after, 3, 0, 2) == struct.pack(">f", 850.0)  # what was asked for
    assert read(after, 4, 100, 2) == struct.pack(">f", 700.0)  # what holds
    facts = {"setting": NAME, "requested": 850.0, "effective": 700.0}
    assert events(after.take_kept()) == [("setting outside its limits", facts)]


def test_a_value_of_another_unit_is_forgotten(
    site_of: SiteOf, remembered: Callable[[list[Kept]], dict[str, Remembered]], later: Later
) -> None:
    before = site_of()
    write(before, 0, struct.pack(">f", 250.0))
    after = site_of(Setting(NAME, "l/min", "", 0.0, 9000.0, 600.0))
    after.restore(remembered(before.take_kept()), later(60.0))
    assert after.settings.requested(NAME) == 600.0


def test_a_setting_goes_back_to_the_file(settings: Settings, start: Now) -> None:
    settings.change(NAME, 250.0, "shift", start)
    assert len(settings.change(NAME, None, "shift", start)) == 1
    assert (settings.requested(NAME), settings.asked) == (600.0, {})
    assert settings.change(NAME, None, "shift", start) == []


def test_asking_for_what_the_file_says_is_no_change(settings: Settings, start: Now) -> None:
    assert settings.change(NAME, 600.0, "shift", start) == []
    assert settings.asked == {}


def test_what_it_may_be_is_said_where_it_is_refused(settings: Settings, start: Now) -> None:
    with pytest.raises(OutsideLimits, match=r"^gas_limit may be 0\.1 to 900 m3/h, not 901\.$"):
        settings.change(NAME, 901.0, "shift", start)


@pytest.mark.parametrize("kept", [None, 250.0, {"value": "250"}, {"value": float("nan"), "unit": "m3/h"}])
def test_a_kept_state_that_is_none_of_ours_is_passed_over(settings: Settings, start: Now, kept: object) -> None:
    settings.restore({f"setting {NAME}": kept}, start)
    assert settings.requested(NAME) == 600.0


def test_settings_are_kept_under_no_meter() -> None:
    assert SITE == ""
