"""The code on a node's label, held against the published example of LoRa Alliance TR005."""

from __future__ import annotations

import contextlib

import pytest
from crccheck.crc import CrcModbus
from hypothesis import given
from hypothesis import strategies as some

from aggregator.core.device_code import DeviceCode, read_code
from aggregator.core.errors import CannotLink

# LoRa Alliance TR005, LoRaWAN Device Identification QR Codes: its example (verified).
EXAMPLE = "LW:D0:1122334455667788:AABBCCDDEEFF0011:AABB1122:OAABBCCDDEEFF:SYYWWNNNNNN:PFOOBAR:CAF2C"
# The same without what may be left out (verified).
SHORTEST = "LW:D0:1122334455667788:AABBCCDDEEFF0011:AABB1122"
NODE = "aabbccddeeff0011"


def test_the_published_example_reads_as_published() -> None:
    assert read_code(EXAMPLE) == DeviceCode(
        node=NODE,
        join="1122334455667788",
        profile="AABB1122",
        owner="AABBCCDDEEFF",
        serial="YYWWNNNNNN",
        proprietary="FOOBAR",
    )


def test_the_published_checksum_is_the_crc_of_serial_frames() -> None:
    before, _, checksum = EXAMPLE.rpartition(":C")
    assert f"{CrcModbus.calc(before.encode()):04X}" == checksum


def test_the_shortest_code_has_no_checksum() -> None:
    assert read_code(SHORTEST) == DeviceCode(NODE, "1122334455667788", "AABB1122")


@pytest.mark.parametrize(
    "text",
    [EXAMPLE.lower(), f"  {EXAMPLE}\n", EXAMPLE.replace(":", " : "), EXAMPLE[:50] + "\r\n" + EXAMPLE[50:]],
    ids=["small letters", "blanks around it", "blanks inside it", "broken over two lines"],
)
def test_capitals_and_blanks_do_not_matter(text: str) -> None:
    assert read_code(text).node == NODE


@pytest.mark.parametrize(
    "text", ["aabbccddeeff0011", "AA-BB-CC-DD-EE-FF-00-11", "aa:bb:cc:dd:ee:ff:00:11", " AABB CCDD EEFF 0011 "]
)
def test_a_typed_deveui_is_enough(text: str) -> None:
    assert read_code(text) == DeviceCode(NODE)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "nothing was given"),
        ("AABBCCDDEEFF001", "is no DevEUI, which has 16 hexadecimal digits"),
        ("https://alder-fen.example/node/7", "is no DevEUI"),
        (EXAMPLE.replace("0011:AABB", "0012:AABB"), "checksum does not fit"),
        (EXAMPLE.replace("LW:D0", "LW:D1"), "of schema D1, and only D0 is known"),
        ("LW:D0:1122334455667788", "ends too early, without DevEUI, profile id"),
        (SHORTEST.replace("EEFF0011", "EEFF001"), "DevEUI in the QR code is `AABBCCDDEEFF001`, not 16"),
        (SHORTEST.replace("1122334455667788", "11223344556677XX"), "JoinEUI in the QR code"),
        (SHORTEST + "3", "profile id in the QR code is `AABB11223`, not 8"),
        (SHORTEST + ":X1", "the part `X1` of the QR code begins with none of O, S, P, C"),
        (SHORTEST + ":S1:S2", "two of serial number"),
        (SHORTEST + ":CAF2", "no four hexadecimal digits at its end"),
        (EXAMPLE + ":PMORE", "two of the maker's own part"),
        (SHORTEST + ":C1234:S1", "no four hexadecimal digits at its end"),
        ("LW:" + "A" * 500, "503 characters are more"),
    ],
)  # fmt: skip
def test_a_wrong_code_is_refused_with_what_to_do(text: str, says: str) -> None:
    with pytest.raises(CannotLink, match=says.replace("(", r"\(")) as refused:
        read_code(text)
    assert str(refused.value).endswith(".")


@given(some.integers(0, len(EXAMPLE) - 7), some.characters(codec="ascii", categories=["Lu", "Nd"]))
def test_no_character_before_the_checksum_can_change_unseen(at: int, other: str) -> None:
    changed = EXAMPLE[:at] + other + EXAMPLE[at + 1 :]
    if changed != EXAMPLE:
        with pytest.raises(CannotLink):
            read_code(changed)


@given(some.text(max_size=120) | some.text(alphabet="LW:D0CSOP123ABC", max_size=120).map("LW:D0:".__add__))
def test_any_text_is_a_code_or_refused_with_a_sentence(text: str) -> None:
    with contextlib.suppress(CannotLink):
        assert len(read_code(text).node) == 16
