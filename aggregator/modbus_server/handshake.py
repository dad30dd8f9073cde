"""TLS handshakes: a connection from its first byte until both ends have shown their certificates.

Until then it is nobody's: it takes no client's place, its time is short, and a crowd of them costs nobody but itself.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Callable
from typing import cast

from aggregator.core.refusals import Refused

WITHIN = 10.0  # s that a handshake may take
SAID = {
    "PEER_DID_NOT_RETURN_A_CERTIFICATE": "it shows no certificate",
    "UNSUPPORTED_PROTOCOL": "it offers no TLS 1.2 or later",
    "WRONG_VERSION_NUMBER": "it speaks no TLS",
    "HTTP_REQUEST": "it speaks no TLS",
    "NO_SHARED_CIPHER": "it offers no cipher suite that is in use here",
}


class Handshake(asyncio.Protocol):
    """One connection under way, on the socket that the listener has accepted."""

    def __init__(self, arrivals: Arrivals, context: ssl.SSLContext) -> None:
        self._arrivals = arrivals
        self._context = context
        self._task: asyncio.Task[None]
        self._socket: socket.socket
        self._is_ours = True  # the socket, until the loop takes it over
        self.host = "?"
        self.name = "?"  # address and port

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        peer = transport.get_extra_info("peername") or ("?", 0)
        self.host, self.name = peer[0], f"{peer[0]}:{peer[1]}"
        connection = cast("asyncio.Transport", transport)
        if self._arrivals.take_own(connection):
            return
        # The loops know how to shake hands on an accepted socket; what they have read already would be lost to that.
        accepted = connection.get_extra_info("socket")
        self._socket = socket.fromfd(accepted.fileno(), accepted.family, accepted.type)
        self._socket.setblocking(False)
        connection.abort()
        if self._arrivals.begin(self):
            self._task = asyncio.get_running_loop().create_task(self._shake(), name=f"TLS handshake {self.name}")
        else:
            self._socket.close()

    async def _shake(self) -> None:
        loop = asyncio.get_running_loop()
        self._is_ours = False
        try:
            await loop.connect_accepted_socket(
                self._arrivals.new_client, self._socket, ssl=self._context, ssl_handshake_timeout=WITHIN
            )
        except OSError as error:
            self._arrivals.failed(self, why_not(error))
        else:
            self._arrivals.ended(self)

    def abort(self) -> None:
        """End it at once."""
        self._task.cancel()
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        if self._is_ours:
            self._socket.close()


class Arrivals:
    """The handshakes under way at one listener: as many as it takes clients, of one host as many as of its clients.

    Beyond that the oldest one goes. `may_come` says whether a host is let in, `is_own` whether it is this program
    itself, which is let in without TLS; `turn_away` puts on record who was not: kind, host, name, reason.
    """

    def __init__(
        self,
        most: int,
        most_of_host: int,
        may_come: Callable[[str], bool],
        is_own: Callable[[asyncio.BaseTransport], bool],
        new_client: Callable[[], asyncio.Protocol],
        turn_away: Callable[[Refused, str, str, str], None],
    ) -> None:
        self._most = most
        self._most_of_host = most_of_host
        self._may_come = may_come
        self._is_own = is_own
        self.new_client = new_client
        self._turn_away = turn_away
        self.under_way: dict[Handshake, None] = {}  # the oldest first

    def take_own(self, transport: asyncio.Transport) -> bool:
        """Take a connection as it is where it is this program's own. Returns whether it is."""
        if not self._is_own(transport):
            return False
        client = self.new_client()
        transport.set_protocol(client)
        client.connection_made(transport)
        return True

    def begin(self, handshake: Handshake) -> bool:
        """Whether a connection that was just made may begin its handshake."""
        if not self._may_come(handshake.host):
            self._turn_away(Refused.NETWORK, handshake.host, handshake.name, "its network may not connect")
            return False
        self._make_room(handshake.host)
        self.under_way[handshake] = None
        return True

    def _make_room(self, host: str) -> None:
        of_host = [each for each in self.under_way if each.host == host]
        full = len(of_host) >= self._most_of_host or len(self.under_way) >= self._most
        if full:
            oldest = (of_host if len(of_host) >= self._most_of_host else list(self.under_way))[0]
            del self.under_way[oldest]
            oldest.abort()
            self._turn_away(Refused.CROWD, oldest.host, oldest.name, "too many TLS handshakes under way")

    def ended(self, handshake: Handshake) -> None:
        """Both ends have shown their certificates: a client has taken over."""
        self.under_way.pop(handshake, None)

    def failed(self, handshake: Handshake, reason: str) -> None:
        """A handshake came to nothing."""
        self.under_way.pop(handshake, None)
        self._turn_away(Refused.TLS, handshake.host, handshake.name, reason)

    def close(self) -> None:
        """The listener closes."""
        for each in list(self.under_way):
            each.abort()
        self.under_way.clear()


def why_not(error: OSError) -> str:
    """Why a handshake came to nothing."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not accepted: {error.verify_message}"
    if isinstance(error, ssl.SSLError):
        return SAID.get(error.reason, f"TLS fails: {error.reason}")
    if isinstance(error, ConnectionAbortedError):
        return f"no TLS handshake within {WITHIN:g} s"
    return "it ended the connection"
