"""What may stand behind a key, where the folder of wrong sites does not say it already."""

from __future__ import annotations

import pytest
from pydantic import TypeAdapter, ValidationError

from aggregator.config.files import BrokerKeys
from aggregator.config.values import Address, At, FieldAt, Flag, Name, Offset, Topic
from aggregator.core.painter import FLAG_NAMES


@pytest.mark.parametrize(
    ("written", "pointer"),
    [  # RFC 6901 section 3: ~0 stands for ~ and ~1 for /
        ("flow", "/flow"),
        ("/totals/0", "/totals/0"),
        ("m~n", "/m~0n"),
        ("flow rate", "/flow rate"),
        ("a/b", "/a~1b"),
    ],
)
def test_a_bare_key_is_the_pointer_to_it(written: str, pointer: str) -> None:
    assert TypeAdapter[str](FieldAt).validate_python(written) == pointer


@pytest.mark.parametrize("written", ["", "/", "/foo/0", "/a~1b", "/m~0n", "/ ", "/c%d"])
def test_the_pointers_of_the_standard_are_taken(written: str) -> None:
    """RFC 6901 section 5."""
    assert TypeAdapter[str](At).validate_python(written) == written.strip()


@pytest.mark.parametrize("written", ["foo", "/~2", "/a~"])
def test_what_the_standard_does_not_know_is_refused(written: str) -> None:
    """RFC 6901 section 3: a pointer begins with a slash, and a tilde is followed by 0 or 1."""
    with pytest.raises(ValidationError):
        TypeAdapter[str](At).validate_python(written)


@pytest.mark.parametrize("written", ["lns/+/up", "#", "+", "/", "sport/tennis/#", "$SYS/#"])
def test_the_topic_filters_of_the_standard_are_taken(written: str) -> None:
    """MQTT 3.1.1 section 4.7.1."""
    assert TypeAdapter[str](Topic).validate_python(written) == written


@pytest.mark.parametrize("written", ["sport/tennis#", "sport/tennis/#/ranking", "sport+", ""])
def test_the_wrong_topic_filters_of_the_standard_are_refused(written: str) -> None:
    """MQTT 3.1.1 section 4.7.1, its own examples."""
    with pytest.raises(ValidationError):
        TypeAdapter[str](Topic).validate_python(written)


@pytest.mark.parametrize(("written", "address"), [("0", 0), ("65535", 65535), ("0xFFFF", 65535)])
def test_an_address_is_a_pdu_address(written: str, address: int) -> None:
    """MODBUS V1.1b3 section 4.4: 0 to 65535."""
    assert TypeAdapter[int](Address).validate_python(written) == address


@pytest.mark.parametrize("written", ["-1", "65536", "", "1.5"])
def test_what_is_no_pdu_address_is_refused(written: str) -> None:
    with pytest.raises(ValidationError):
        TypeAdapter[int](Address).validate_python(written)


@pytest.mark.parametrize("written", ["0x10", "+1", "01", "٣", "²"])
def test_an_offset_has_one_spelling(written: str) -> None:
    with pytest.raises(ValidationError):
        TypeAdapter[int](Offset).validate_python(written)


@pytest.mark.parametrize("flag", FLAG_NAMES)
def test_every_flag_of_the_core_can_be_mapped(flag: str) -> None:
    assert TypeAdapter[str](Flag).validate_python(flag) == flag


@pytest.mark.parametrize("written", ["1.10", "1e3", "0301", "no"])
def test_a_name_that_looks_like_something_else_stays_text(written: str) -> None:
    assert TypeAdapter[str](Name).validate_python(written) == written


@pytest.mark.parametrize("key", ["client", "user"])
def test_what_goes_to_the_broker_fits_the_two_bytes_of_its_length(key: str) -> None:
    """MQTT 5.0 section 1.5.4: a text has 65535 bytes of UTF-8 at most."""
    fits = {"host": "broker", key: "ü" * 32767 + "x"}
    assert getattr(BrokerKeys.model_validate(fits), key) == fits[key]
    with pytest.raises(ValidationError) as caught:
        BrokerKeys.model_validate({"host": "broker", key: "ü" * 32768})
    wrong = caught.value.errors()[0]["ctx"]["error"]
    assert (wrong.what, wrong.cure) == ("it has 65536 bytes", "Write 65535 at most")


@pytest.mark.parametrize(("given_", "seconds"), [("1 s", 1.0), ("65535 s", 65535.0), ("18 h 12 min 15 s", 65535.0)])
def test_a_keep_alive_fits_its_two_bytes(given_: str, seconds: float) -> None:
    """MQTT 5.0 section 3.1.2.10: 18 hours, 12 minutes and 15 seconds at most."""
    assert BrokerKeys.model_validate({"host": "broker", "keepalive": given_}).keepalive == seconds


@pytest.mark.parametrize("given_", ["999 ms", "65536 s", "20 h"])
def test_a_keep_alive_that_does_not_fit_is_refused(given_: str) -> None:
    with pytest.raises(ValidationError):
        BrokerKeys.model_validate({"host": "broker", "keepalive": given_})
