"""What an X.509 certificate (RFC 5280) says: whose it is, by what role, and when it ends.

The role stands in an extension of its own, one UTF8String that is the whole role:

    30 19  06 0B 2B 06 01 04 01 83 89 0C 86 22 01   04 0A  0C 08 "Operator"      OID 1.3.6.1.4.1.50316.802.1

Source: MODBUS/TCP Security Protocol Specification v21, the role extension (clauses from memory).
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from cryptography import x509
from cryptography.hazmat import asn1

from aggregator.core.errors import AggregatorError

ROLE: Final = x509.ObjectIdentifier("1.3.6.1.4.1.50316.802.1")
UNREADABLE: Final = ""  # the role of a certificate whose extension is no UTF8String; nobody can declare it
LONGEST_NAME: Final = 64  # characters of a name or role that are shown (RFC 5280 appendix A, ub-common-name)


class CertificateProblem(AggregatorError):
    """These bytes hold no certificate."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """One certificate. `ends` is UTC s; `role` is None where it carries none, UNREADABLE where nobody can tell it."""

    name: str
    role: str | None
    ends: float

    @classmethod
    def of(cls, der: bytes) -> Certificate:
        """The certificate in DER bytes. Raises CertificateProblem."""
        try:
            return cls._said_by(x509.load_der_x509_certificate(der))
        except ValueError as error:
            raise CertificateProblem(str(error)) from error

    @classmethod
    def all_in(cls, pem: bytes) -> Sequence[Certificate]:
        """The certificates in a PEM file, at least one. Raises CertificateProblem."""
        try:
            return [cls._said_by(each) for each in x509.load_pem_x509_certificates(pem)]
        except ValueError as error:
            raise CertificateProblem(str(error)) from error

    @classmethod
    def _said_by(cls, certificate: x509.Certificate) -> Certificate:
        return cls(_name_of(certificate), _role_of(certificate), certificate.not_valid_after_utc.timestamp())

    @property
    def shown(self) -> str:
        """Name and role, as records have them."""
        if self.role is None:
            return f"{self.name} without a role"
        return f"{self.name} as {printable(self.role) or 'an unreadable role'}"


def _name_of(certificate: x509.Certificate) -> str:
    """The common name, or the serial number where it has none."""
    try:
        named = certificate.subject.get_attributes_for_oid(x509.NameOID.COMMON_NAME)
    except ValueError:
        named = []
    name = printable(str(named[0].value)) if named else ""
    return name or f"certificate {certificate.serial_number:x}"[:LONGEST_NAME]


def _role_of(certificate: x509.Certificate) -> str | None:
    try:
        extension = certificate.extensions.get_extension_for_oid(ROLE).value
    except x509.ExtensionNotFound:
        return None
    except (ValueError, x509.DuplicateExtension):
        return UNREADABLE
    return role_in(extension.value) if isinstance(extension, x509.UnrecognizedExtension) else UNREADABLE


def role_in(der: bytes) -> str:
    """The role in the value of the extension: one UTF8String and nothing after it, UNREADABLE for anything else."""
    try:
        return asn1.decode_der(str, der)
    except ValueError:
        return UNREADABLE


def printable(text: str) -> str:
    """A text that moves no cursor and no line of a log, and is not endless."""
    shown = "".join("?" if unicodedata.category(each)[0] in "CZ" and each != " " else each for each in text)
    return shown[:LONGEST_NAME]
