"""The broker's socket, read and written in large pieces, with the messages taken out of it.

    socket -> read ahead -> | PUBLISH -> our message
                            | any other packet -> the library, which takes this for its socket
    the library's packets, our acknowledgements -> gathered -> socket

The library asks its socket four times for every packet it reads, and hands it every acknowledgement by itself. Each of
these calls lets go of the interpreter's lock, which has to be won back from the thread that writes to disk.
"""

from __future__ import annotations

import socket
import ssl

import paho.mqtt.client as mqtt

from aggregator.mqtt.message import KIND, PUBLISH, Message, length_at, message_in

READ_AHEAD = 65536  # bytes; a hundred uplinks or more, and more than the 2^14 of a TLS record (RFC 8446 section 5.1)
NOT_NOW = (BlockingIOError, InterruptedError, ssl.SSLWantReadError, ssl.SSLWantWriteError)


class Stream:
    """What the library takes for its socket (its `SocketLike`), over one that is connected and does not block."""

    def __init__(self, sock: socket.socket, *, is_5: bool) -> None:
        self._socket = sock
        self._is_5 = is_5
        self._ahead = bytearray()
        self._at = 0  # where in it the next packet begins
        self._lent = 0  # up to where the library may read
        self._ended = False
        self._error: OSError | None = None
        self._unsent = bytearray()

    def take(self) -> Message | None:
        """The next message. None where the next packet is the library's to read, or nothing is here.

        Raises Malformed, and nothing else can be read any more then.
        """
        message = self._next()
        if message is None and not self.lends:
            self._read_ahead()
            message = self._next()
        return message

    @property
    def lends(self) -> bool:
        """Whether there is something that the library has to read: a packet, or how the connection ended."""
        return self._at < self._lent or self._ended or self._error is not None

    def _next(self) -> Message | None:
        """The message that begins here, if it is whole. Another packet that is whole is lent to the library."""
        data, at = self._ahead, self._at
        length = length_at(data, at + 1)
        if length is None:
            return None
        end = length[0] + length[1]
        if end > len(data):
            return None
        if data[at] & KIND != PUBLISH:
            self._lent = end
            return None
        message = message_in(data, data[at], length[1], end, is_5=self._is_5)
        self._at = end
        return message

    def _read_ahead(self) -> None:
        del self._ahead[: self._at]
        self._at = self._lent = 0
        try:
            data = self._socket.recv(READ_AHEAD)
        except NOT_NOW:
            return
        except OSError as error:
            self._error = error
            return
        self._ended = not data
        self._ahead += data

    def recv(self, size: int) -> bytes:
        """Of a packet that is the library's, at most `size` bytes; none at the end of the connection.

        Raises BlockingIOError where no such packet is here, and what the socket has raised.
        """
        if self._at < self._lent:
            begin, self._at = self._at, min(self._at + size, self._lent)
            return bytes(self._ahead[begin : self._at])
        if self._error is not None:
            raise self._error
        if self._ended:
            return b""
        raise BlockingIOError

    def send(self, data: bytes | bytearray) -> int:
        """Take all of `data`, to be sent by the next flush."""
        self._unsent += data
        return len(data)

    def flush(self) -> bool:
        """Send what waits, as far as the socket takes it. Returns whether nothing is left to be sent."""
        try:
            while self._unsent:
                del self._unsent[: self._socket.send(self._unsent)]
        except NOT_NOW:
            return False
        except OSError:
            self._unsent.clear()  # the link has ended; whoever reads from it hears why
        return True

    def fileno(self) -> int:
        """The socket's number, -1 once it is closed."""
        return self._socket.fileno()

    def setblocking(self, flag: bool) -> None:
        """As the socket's."""
        self._socket.setblocking(flag)

    def close(self) -> None:
        """Send what the socket takes at once, and close it."""
        if self.fileno() >= 0:
            self.flush()
        self._socket.close()


class StreamingClient(mqtt.Client):
    """The library's client over a stream, for a loop that takes and flushes. The library's own loops would not."""

    def _create_socket(self) -> mqtt.SocketLike:
        """What the library asks for when it connects; it knows another such stand-in, for its websockets."""
        sock = super()._create_socket()
        assert isinstance(sock, socket.socket)
        return Stream(sock, is_5=self.protocol == mqtt.MQTTv5)
