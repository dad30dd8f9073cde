"""Exposure through the whole site: uplinks in, registers out, against the worked examples of 29 CFR 1910.1000(d)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from aggregator.core.address_map import Item, Layout, Shows, Table
from aggregator.core.computed import Computed, Computing, How, Sample
from aggregator.core.encoding import Encoding, ItemCodec
from aggregator.core.keeping import KeptUplink
from aggregator.core.profile import Field, Profile
from aggregator.core.reading import Now, Reading, Reason, Times
from aggregator.core.site import Site

HOUR, SHIFT = 3600.0, 8 * 3600.0
SiteOf = Callable[..., Site]
Send = Callable[..., list[str]]
Later = Callable[[float], Now]


@pytest.fixture
def profile(site_of: SiteOf) -> Profile:
    """The small site's meter, its methane taken for a toxic gas and kept for as long as a shift is."""
    plain = site_of().declared.meters[0].profile
    methane = plain.index_of("methane")
    assert methane is not None
    both = Computed(How.MIXTURE, (4, methane), limits=(100.0, 1000.0))
    fields = (
        *(replace(each, stale_after=SHIFT, high=1e6) if each.name == "methane" else each for each in plain.fields),
        Field("8h", "%LEL", "8 h average", optional=True, computed=Computed(How.AVERAGE, (methane,), SHIFT, 0.75)),
        Field("covered", "%", "covered", optional=True, computed=Computed(How.COVERED, (methane,), SHIFT)),
        Field("highest", "%LEL", "highest", optional=True, computed=Computed(How.HIGHEST, (methane,), SHIFT, 0.75)),
        Field("share", "", "share", optional=True, computed=both),
    )
    return replace(plain, fields=fields)


@pytest.fixture
def site(site_of: SiteOf, profile: Profile) -> Site:
    codec = ItemCodec(Encoding.number("float32"))
    names = ("8h", "covered", "highest", "share", "methane")
    items = tuple(Item(Table.INPUT, 2 * at, Shows.VALUE, name, codec) for at, name in enumerate(names))
    return site_of(profile=profile, layout=Layout("exposure", items))


def test_the_worked_example_comes_out_of_the_registers(
    site: Site, send: Send, later: Later, registers: Callable[..., tuple[int, ...]]
) -> None:
    """2 h at 150, 2 h at 75 and 4 h at 50 ppm: 81.25 ppm (29 CFR 1910.1000(d)(1)(ii))."""
    for counter, (at, ppm) in enumerate([(0, 150), (2 * HOUR, 75), (4 * HOUR, 50), (SHIFT, 0)]):
        send(site, counter, at=at, flow=1, volume=1, methane=ppm)
    image = site.images[1]
    words = registers(image, 100, 6, later(SHIFT))
    codec = ItemCodec(Encoding.number("float32"))
    raw = b"".join(word.to_bytes(2, "big") for word in words)
    assert [codec.decode(raw[at : at + 4]) for at in (0, 4, 8)] == [81.25, 100, 150]


def shown(site: Site, name: str) -> Reading:
    state = site.states["FT-101"]
    index = state.meter.profile.index_of(name)
    assert index is not None
    return state.readings[index]


def test_an_average_that_covers_too_little_says_so(site: Site, send: Send) -> None:
    send(site, 1, at=0, methane=80)
    send(site, 2, at=4 * HOUR, methane=80)
    assert shown(site, "8h").value == 40
    assert shown(site, "8h").reasons & Reason.INCOMPLETE
    assert shown(site, "covered").value == 50
    send(site, 3, at=SHIFT, methane=80)
    assert (shown(site, "8h").value, shown(site, "8h").reasons) == (80, 0)


def test_a_meter_that_measures_well_is_good_before_its_average_is_complete(site: Site, send: Send) -> None:
    send(site, 1, at=0, flow=1, volume=1, methane=80)
    assert shown(site, "8h").reasons & Reason.INCOMPLETE
    assert site.states["FT-101"].reasons == 0


def test_a_mixture_stands_on_the_fields_it_names(site: Site, send: Send) -> None:
    send(site, 1, at=0, methane=500)
    send(site, 2, at=SHIFT, methane=500)
    assert shown(site, "share").value == 500 / 100 + 500 / 1000


def test_a_late_uplink_enters_the_average_at_its_own_time(
    site: Site, send: Send, message: Callable[..., bytes], later: Later
) -> None:
    for counter, at in ((1, 0.0), (9, 6 * HOUR)):
        send(site, counter, at=at, methane=0)
    text = message(5, at=3 * HOUR, methane=100)
    site.receive("lns/a/up", text, retained=False, now=later(6 * HOUR + 1))
    send(site, 10, at=SHIFT, methane=0)
    assert shown(site, "methane").value == 0
    assert shown(site, "8h").value == pytest.approx(100 * 3 / 8)


def test_a_restart_goes_on_with_the_samples_of_the_history(
    site: Site, site_of: SiteOf, profile: Profile, send: Send, later: Later
) -> None:
    readings = [(at * HOUR, ppm) for at, ppm in enumerate([10, 40, 0, 5, 90, 20, 10, 0])]
    for counter, (at, ppm) in enumerate(readings):
        send(site, counter, at=at, methane=ppm)
    kept = [each for each in site.take_kept() if isinstance(each, KeptUplink)]
    again = site_of(profile=profile, now=later(7 * HOUR))
    ((tag, fields, window),) = again.samples_wanted()
    assert (fields, window) == (["methane"], SHIFT)
    rows = [(one.field, each.at, one.value) for each in kept for one in each.readings if one.field in fields]
    again.recall_samples(tag, rows, later(7 * HOUR))
    for each in (site, again):
        send(each, 99, at=SHIFT, methane=0)
    assert shown(again, "8h").value == pytest.approx(shown(site, "8h").value)
    assert shown(again, "covered").value == shown(site, "covered").value == 100


def test_computed_readings_are_kept_as_others_are(site: Site, send: Send) -> None:
    send(site, 1, at=0, methane=80)
    (kept,) = (each for each in site.take_kept() if isinstance(each, KeptUplink))
    assert {"8h", "covered", "highest"} <= {each.field for each in kept.readings}


def test_a_sensor_that_cannot_measure_makes_no_average_of_nothing() -> None:
    computing = Computing({1: Computed(How.AVERAGE, (0,), SHIFT)}, [900.0, 900.0])
    times = Times(None, None, 0.0, 100.0)
    new = [(0, Reading(None, int(Reason.SENSOR_FAULT), times))]
    computing.carry_on([new[0][1]] * 2, new, times)
    assert new[1] == (1, Reading(None, int(Reason.SENSOR_FAULT), times))


def test_a_jump_of_one_reading_says_nothing_against_an_average() -> None:
    computing = Computing({1: Computed(How.AVERAGE, (0,), 100.0)}, [900.0, 900.0])
    computing.add([Sample(0, 0.0, 4.0)])
    times = Times(None, None, 0.0, 100.0)
    new = [(0, Reading(8.0, int(Reason.JUMPED), times))]
    computing.carry_on([new[0][1]] * 2, new, times)
    assert new[1] == (1, Reading(4.0, 0, times))
