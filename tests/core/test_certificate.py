"""What a certificate says, held against the encodings of the specification and against openssl's own reading."""

from __future__ import annotations

from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.certificate import UNREADABLE, Certificate, CertificateProblem, printable, role_in
from tests.certificates import Signer, utf8_string


@pytest.fixture(scope="module")
def signer(tmp_path_factory: pytest.TempPathFactory) -> Signer:
    return Signer(tmp_path_factory.mktemp("authority"))


def read(pem: bytes) -> Certificate:
    (found,) = Certificate.all_in(pem)
    return found


def test_the_role_is_the_whole_utf8_string_of_the_extension(signer: Signer) -> None:
    """MODBUS/TCP Security v36 R-21, R-22: OID and UTF8String, bytes as published implementations write them."""
    pem = signer.certificate("control-room", role=bytes.fromhex("0C 08 4F 70 65 72 61 74 6F 72"))
    der = x509.load_pem_x509_certificate(pem).public_bytes(Encoding.DER)
    assert bytes.fromhex("06 0B 2B 06 01 04 01 83 89 0C 86 22 01 04 0A 0C 08 4F 70 65 72 61 74 6F 72") in der
    assert Certificate.of(der) == read(pem)
    assert (read(pem).name, read(pem).role, read(pem).shown) == ("control-room", "Operator", "control-room as Operator")


def test_without_the_extension_there_is_no_role(signer: Signer) -> None:
    """v36 R-23: the role is none then, and the rules decide (from memory)."""
    assert read(signer.certificate("control-room")).role is None
    assert read(signer.certificate("control-room")).shown == "control-room without a role"


@pytest.mark.parametrize(
    "role",
    [
        "13 08 4F 70 65 72 61 74 6F 72",  # PrintableString
        "04 08 4F 70 65 72 61 74 6F 72",  # OCTET STRING, which a public helper writes
        "0C 08 4F 70 65 72 61 74 6F 72 00",  # something after it
        "0C 09 4F 70 65 72 61 74 6F 72",  # cut short
        "0C 02 FF FE",  # no UTF-8
        "30 03 0C 01 41",  # a list of one
        "",
    ],
)
def test_a_role_that_is_no_utf8_string_is_a_role_that_nobody_has(signer: Signer, role: str) -> None:
    assert read(signer.certificate("control-room", role=bytes.fromhex(role))).role == UNREADABLE


@given(st.text(max_size=60).filter(lambda text: len(text.encode()) < 128))
def test_any_text_is_read_back_as_a_role(text: str) -> None:
    assert role_in(utf8_string(text)) == text


@given(st.binary(max_size=40))
def test_any_bytes_are_a_role_or_none_that_anybody_has(data: bytes) -> None:
    role = role_in(data)
    assert role == UNREADABLE or utf8_string(role) == data


@given(st.binary(max_size=200))
def test_what_is_no_certificate_is_said_to_be_none(data: bytes) -> None:
    for read_it in (Certificate.of, Certificate.all_in):
        with pytest.raises(CertificateProblem):
            read_it(data)


def test_a_certificate_without_a_name_goes_by_its_serial_number(signer: Signer) -> None:
    pem = signer.certificate("")
    assert read(pem).name == f"certificate {x509.load_pem_x509_certificate(pem).serial_number:x}"[:64]


def test_a_name_moves_no_cursor_and_no_line_of_the_log(signer: Signer) -> None:
    assert read(signer.certificate("a\x1b[2J\nb\u2028c d")).name == "a?[2J?b?c d"
    assert printable("x" * 100) == "x" * 64


def test_every_certificate_of_a_file_tells_its_end(signer: Signer, tmp_path: Path) -> None:
    pem = signer.certificate("a", days=(-5, 10)) + signer.certificate("b", days=(-5, 20))
    first, second = Certificate.all_in(pem)
    assert second.ends - first.ends == pytest.approx(10 * 86400, abs=2)
    assert first.ends == x509.load_pem_x509_certificates(pem)[0].not_valid_after_utc.timestamp()
