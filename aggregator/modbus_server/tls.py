"""TLS of a listener: its certificate, who signs those of clients, and what their roles may do.

Source: MODBUS/TCP Security Protocol Specification v21 (clauses from memory): TLS 1.2 at least, both sides show a
certificate, no compression; a session is never resumed here, so that each connection shows its certificate anew.
"""

from __future__ import annotations

import ssl
from dataclasses import dataclass

from aggregator.core.access import Roles
from aggregator.modbus_server.errors import UnusableTls


@dataclass(frozen=True, slots=True)
class TlsFiles:
    """Paths of PEM files: the listener's certificate and key, and the authority that signs those of clients."""

    certificate: str
    key: str
    client_ca: str

    def context(self) -> ssl.SSLContext:
        """What handshakes go by. Raises UnusableTls."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.verify_mode = ssl.CERT_REQUIRED
        context.options |= ssl.OP_NO_TICKET | ssl.OP_NO_RENEGOTIATION | ssl.OP_NO_COMPRESSION
        context.num_tickets = 0
        try:
            context.load_cert_chain(self.certificate, self.key, password=_nobody_to_ask)
        except (OSError, ValueError) as error:
            raise UnusableTls(_why(f"{self.certificate} with the key {self.key}", error)) from error
        try:
            context.load_verify_locations(self.client_ca)
        except OSError as error:
            raise UnusableTls(_why(self.client_ca, error)) from error
        return context


def _nobody_to_ask() -> str:
    raise ValueError("the key is locked by a password, and nobody is there to enter it")


def _why(files: str, error: OSError | ValueError) -> str:
    reason = error.strerror if isinstance(error, OSError) and not isinstance(error, ssl.SSLError) else error
    return f"a listener cannot use {files}: {reason or error}. Check its `tls:` in site.yaml."


class ListenerTls:
    """What a listener shows and asks for, and the rights of roles. Raises UnusableTls for files that are no use."""

    def __init__(self, files: TlsFiles, roles: Roles) -> None:
        self.files = files
        self.roles = roles
        self.context = files.context()

    def reload(self) -> None:
        """Go by the files as they now are, from the next connection on. Raises UnusableTls, the old ones kept."""
        self.context = self.files.context()
