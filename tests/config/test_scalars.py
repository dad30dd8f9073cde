"""Text from a file becomes the value its key needs, or a sentence."""

from __future__ import annotations

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.config import scalars
from aggregator.config.scalars import Wrong


@pytest.mark.parametrize(
    ("given_", "seconds"),
    [  # SI brochure 9th edition table 8: min = 60 s, h = 3600 s, d = 86 400 s
        ("250 ms", 0.25),
        ("30 s", 30),
        ("15 min", 900),
        ("15min", 900),
        ("1.5 h", 5400),
        ("1 h 30 min", 5400),
        ("7 d", 604800),
    ],
)
def test_a_length_of_time_is_in_seconds(given_: str, seconds: float) -> None:
    assert scalars.duration(given_) == seconds


@pytest.mark.parametrize(
    "given_", ["15", "min", "15 m", "15 Min", "-5 s", "1,5 h", "5 s or so", "22:30", "1.5.2 s", ""]
)
def test_what_is_no_length_of_time_is_refused(given_: str) -> None:
    with pytest.raises(Wrong):
        scalars.duration(given_)


@pytest.mark.parametrize(
    "written",
    [
        "70B3D57ED0000101",
        "70b3d57ed0000101",
        "70:B3:D5:7E:D0:00:01:01",
        "70-b3-d5-7e-d0-00-01-01",
        "70b3 d57e d000 0101",
    ],
)
def test_a_node_is_known_in_every_spelling(written: str) -> None:
    assert scalars.node(written) == "70b3d57ed0000101"


def test_a_node_of_digits_only_stays_text() -> None:
    assert scalars.node("7076940000000012") == "7076940000000012"
    assert scalars.node("0000000000000001") == "0000000000000001"


@pytest.mark.parametrize(("written", "count"), [("707694000000001", 15), ("70769400000000123", 17), ("7", 1)])
def test_a_node_of_the_wrong_length_is_refused_with_its_length(written: str, count: int) -> None:
    with pytest.raises(Wrong, match=f"it has {count} characters"):
        scalars.node(written)


@pytest.mark.parametrize("written", ["yes", "Yes", "true", "TRUE", "on"])
def test_yes_has_the_spellings_of_yaml(written: str) -> None:
    assert scalars.yes_or_no(written) is True
    assert scalars.yes_or_no({"yes": "no", "true": "false", "on": "off"}[written.lower()]) is False


@pytest.mark.parametrize("written", ["y", "1", "0", "maybe", ""])
def test_what_is_neither_yes_nor_no_is_refused(written: str) -> None:
    with pytest.raises(Wrong):
        scalars.yes_or_no(written)


@given(st.integers(-(10**18), 10**18))
def test_a_whole_number_reads_as_python_reads_it(number: int) -> None:
    assert scalars.whole(str(number)) == number
    assert scalars.exact(str(number)) == number


@given(st.floats(min_value=-1e30, max_value=1e30))
def test_a_number_reads_as_python_reads_it(number: float) -> None:
    assert scalars.number(repr(number)) == number


@given(st.integers(0, 2**64 - 1))
def test_a_register_content_keeps_every_digit(number: int) -> None:
    assert scalars.exact(str(number)) == number
    assert scalars.exact(hex(number)) == number


@pytest.mark.parametrize(
    ("written", "cure"), [("040001", "Write 40001"), ("-05", "Write -5"), ("00", "Write 0"), ("1_000", "Write digits")]
)
def test_a_whole_number_that_other_tools_read_differently_is_refused(written: str, cure: str) -> None:
    with pytest.raises(Wrong) as caught:
        scalars.whole(written)
    assert caught.value.cure.startswith(cure)


@pytest.mark.parametrize(
    "written", ["nan", ".nan", "inf", "-.inf", "1e400", "1,5", "1e", "0x10", "1 000", "--1", "1e31"]
)
def test_what_is_no_finite_number_is_refused(written: str) -> None:
    with pytest.raises(Wrong):
        scalars.number(written)
    assert not scalars.is_number(written)


@given(st.text(max_size=20))
def test_any_text_is_converted_or_refused(text: str) -> None:
    converters = (scalars.whole, scalars.number, scalars.exact, scalars.yes_or_no, scalars.duration, scalars.node)
    for convert in (*converters, scalars.listens, scalars.bits):
        result: object = None
        with contextlib.suppress(Wrong):
            result = convert(text)
        assert not isinstance(result, float) or math.isfinite(result)


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("0.0.0.0:502", ("0.0.0.0", 502)),
        (":502", ("0.0.0.0", 502)),
        ("127.0.0.1:0", ("127.0.0.1", 0)),
        ("[::1]:502", ("::1", 502)),
        ("gateway.local:65535", ("gateway.local", 65535)),
    ],
)
def test_an_address_to_listen_on_is_a_host_and_a_port(written: str, read: tuple[str, int]) -> None:
    assert scalars.listens(written) == read


@pytest.mark.parametrize(
    "written", ["502", "0.0.0.0", "0.0.0.0:65536", "1.2.3:502", "[:::]:502", "a b:1", ":" + "9" * 99]
)
def test_what_is_no_address_to_listen_on_is_refused(written: str) -> None:
    with pytest.raises(Wrong):
        scalars.listens(written)


@pytest.mark.parametrize(("written", "run"), [("3", (3, 3)), ("0-3", (0, 3)), ("0 - 63", (0, 63)), ("7-7", (7, 7))])
def test_a_run_of_bits_has_a_lowest_and_a_highest(written: str, run: tuple[int, int]) -> None:
    assert scalars.bits(written) == run


@pytest.mark.parametrize("written", ["3-0", "64", "0-64", "-1", "a", "1-2-3", "9999999999"])
def test_what_is_no_run_of_bits_is_refused(written: str) -> None:
    with pytest.raises(Wrong):
        scalars.bits(written)


@pytest.mark.parametrize(("value", "kind"), [([], "a list"), ({}, "a mapping")])
def test_a_list_or_mapping_is_no_single_value(value: object, kind: str) -> None:
    with pytest.raises(Wrong, match=f"{kind} stands where one value is due"):
        scalars.text(value)


@pytest.mark.parametrize(
    ("given_", "bytes_"),
    [  # SI brochure 9th edition table 7: M = 10^6, G = 10^9, T = 10^12; never powers of two
        ("10 MB", 10_000_000),
        ("500MB", 500_000_000),
        ("1.5 GB", 1_500_000_000),
        ("100 TB", 100 * 10**12),
    ],
)
def test_an_amount_of_data_is_in_bytes(given_: str, bytes_: int) -> None:
    assert scalars.size(given_) == bytes_


@pytest.mark.parametrize(
    "given_", ["2", "GB", "2 gb", "2 GiB", "-2 GB", "1,5 GB", "2 GB or so", "9.9 MB", "101 TB", ""]
)
def test_what_is_no_amount_of_data_a_store_can_keep_is_refused(given_: str) -> None:
    with pytest.raises(Wrong):
        scalars.size(given_)


@pytest.mark.parametrize(("given_", "raw"), [("65535", 65535), ("0x7FFF", 32767), ("-1", -1), ("-99.9", -99.9)])
def test_a_raw_number_is_whole_hexadecimal_or_decimal(given_: str, raw: float) -> None:
    assert scalars.raw_number(given_) == raw


@pytest.mark.parametrize("given_", ["none", "0x", "1,5", ""])
def test_what_is_no_raw_number_is_refused(given_: str) -> None:
    with pytest.raises(Wrong):
        scalars.raw_number(given_)
