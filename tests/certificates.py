"""Certificates for tests and measurements: an authority, and whatever it may be asked to sign, right or wrong."""

from __future__ import annotations

import ipaddress
import ssl
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

ROLE = x509.ObjectIdentifier("1.3.6.1.4.1.50316.802.1")


def utf8_string(text: str) -> bytes:
    """A short text as an ASN.1 UTF8String (X.690 section 8.23, tag 12)."""
    return bytes((0x0C, len(text.encode()))) + text.encode()


class Signer:
    """An authority in a folder."""

    def __init__(self, folder: Path, name: str = "test authority") -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
        self.key = ec.generate_private_key(ec.SECP256R1())
        self.ca = folder / "ca.pem"
        self.ca.write_bytes(self.certificate(name, is_authority=True))

    def certificate(
        self,
        name: str,
        *,
        role: bytes | None = None,
        days: tuple[float, float] = (-1, 300),
        host: str | None = None,
        key: ec.EllipticCurvePrivateKey | None = None,
        is_authority: bool = False,
    ) -> bytes:
        """A certificate in PEM, valid from so many days from now on until so many; `role` is the extension's value."""
        now = datetime.now(UTC)
        key = key or self.key
        builder = (
            x509.CertificateBuilder()
            .subject_name(x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)] if name else []))
            .issuer_name(self.name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now + timedelta(days=days[0]))
            .not_valid_after(now + timedelta(days=days[1]))
            .add_extension(x509.BasicConstraints(ca=is_authority, path_length=None), critical=True)
        )
        if role is not None:
            builder = builder.add_extension(x509.UnrecognizedExtension(ROLE, role), critical=False)
        if host is not None:
            named = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(host))])
            builder = builder.add_extension(named, critical=False)
        return builder.sign(self.key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)

    def sign(
        self,
        name: str,
        *,
        role: bytes | None = None,
        days: tuple[float, float] = (-1, 300),
        host: str | None = None,
    ) -> tuple[str, str]:
        """The paths of a new certificate and its key."""
        key = ec.generate_private_key(ec.SECP256R1())
        pem, secret = self.folder / f"{name}.pem", self.folder / f"{name}.key"
        pem.write_bytes(self.certificate(name, role=role, days=days, host=host, key=key))
        secret.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        return str(pem), str(secret)

    def client(self, certificate: tuple[str, str] | None) -> ssl.SSLContext:
        """What a client goes by that trusts this authority and shows a certificate, or none."""
        context = ssl.create_default_context(cafile=str(self.ca))
        if certificate is not None:
            context.load_cert_chain(*certificate)
        return context
