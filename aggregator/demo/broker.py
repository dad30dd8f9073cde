"""A small MQTT broker in a process of its own, for the demonstration and for trying things on a desk.

    AGGREGATOR_BROKER_PASSWORD=... python -m aggregator.demo.broker --port 1883

It listens on loopback only and takes one user with a password. It keeps everything in memory and speaks MQTT 3.1.1
only: a site that must lose nothing needs a broker that writes its queues down.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import hmac
import logging
import os
import signal
import sys
from dataclasses import dataclass, field
from typing import Any

from amqtt.broker import Broker
from amqtt.errors import BrokerError
from amqtt.plugins.base import BaseAuthPlugin

from aggregator.demo.embedded import LISTENING, LOOPBACK, PASSWORD, STOPS_WITHIN, USER


class OneUser(BaseAuthPlugin):  # type: ignore[misc] # the library has no types
    """Lets in one user with a password, and nobody else."""

    @dataclass
    class Config:
        """What the broker hands to the plug-in."""

        user: str
        password: str = field(repr=False)

    async def authenticate(self, *, session: Any) -> bool:
        user, password = session.username or "", session.password or ""
        is_user = hmac.compare_digest(user.encode(), self.config.user.encode())
        is_password = hmac.compare_digest(password.encode(), self.config.password.encode())
        return is_user and is_password


async def serve(port: int, user: str, password: str, *, with_parent: bool) -> None:
    """Run the broker until SIGTERM or SIGINT; with `with_parent` also until standard input ends.

    Raises BrokerError where the port is taken.
    """
    done = asyncio.Event()
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(sign, done.set)
    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"{LOOPBACK}:{port}"}},
        "plugins": {f"aggregator.demo.broker.{OneUser.__name__}": {"user": user, "password": password}},
    }
    broker = Broker(config, loop=loop)
    await broker.start()
    sys.stdout.write(f"{LISTENING.decode()} on {LOOPBACK}:{port}\n")
    sys.stdout.flush()
    if with_parent:
        await loop.connect_read_pipe(lambda: _UntilEnd(done), sys.stdin)
    await done.wait()
    # A client that will not let go must not keep the process alive.
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(STOPS_WITHIN / 2):
            await broker.shutdown()


class _UntilEnd(asyncio.Protocol):
    """Notices that the other end of standard input is closed: its process ended, however it ended."""

    def __init__(self, done: asyncio.Event) -> None:
        self.done = done

    def connection_lost(self, _error: Exception | None) -> None:
        self.done.set()


def main() -> None:
    """The broker's own command line."""
    parser = argparse.ArgumentParser(
        prog="python -m aggregator.demo.broker", description=f"Its password is in {PASSWORD}."
    )
    parser.add_argument("--port", type=int, default=1883, help="TCP port on the loopback address")
    parser.add_argument("--user", default=USER, help="who may log in")
    parser.add_argument("--with-parent", action="store_true", help="end when standard input does")
    options = parser.parse_args()
    password = os.environ.get(PASSWORD)
    if not password:
        parser.error(f"the environment variable {PASSWORD} must hold the user's password")
    logging.disable(logging.CRITICAL)  # the library logs each client at length; errors come as exceptions
    try:
        asyncio.run(serve(options.port, options.user, password, with_parent=options.with_parent))
    except BrokerError as error:
        raise SystemExit(str(error)) from None


if __name__ == "__main__":
    main()
