"""Pages that follow the live stream, without their browsers: `python -m tests.bench.followers PORT COUNT`.

Prints a line once every stream has begun, then reads whatever comes until it is ended; one that ends by itself is an
error: the service had let a page go.
"""

from __future__ import annotations

import selectors
import socket
import sys

from tests.bench.processes import LOOPBACK, BenchError

REQUEST = f"GET /api/v1/live HTTP/1.1\r\nHost: {LOOPBACK}\r\n\r\n".encode()
AT_ONCE = 1 << 18


def open_stream(port: int) -> socket.socket:
    """A stream that has begun."""
    stream = socket.create_connection((LOOPBACK, port), 10)
    stream.sendall(REQUEST)
    begun = b""
    while b"event: site" not in begun:
        part = stream.recv(AT_ONCE)
        begun += part
        if not part or not begun.startswith(b"HTTP/1.1 200"):
            raise BenchError(f"a page was answered with {begun[:200]!r}")
    return stream


def follow(port: int, count: int) -> None:
    """Follow with so many pages."""
    with selectors.DefaultSelector() as waiting:
        for _ in range(count):
            waiting.register(open_stream(port), selectors.EVENT_READ)
        print("all follow", flush=True)
        while True:
            for key, _ in waiting.select():
                stream = key.fileobj
                assert isinstance(stream, socket.socket)
                if not stream.recv(AT_ONCE):
                    raise BenchError("the service let a page go")


if __name__ == "__main__":
    follow(int(sys.argv[1]), int(sys.argv[2]))
