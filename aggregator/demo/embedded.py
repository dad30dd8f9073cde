"""The embedded broker as its user sees it: in a process of its own, and gone with the program that wanted it."""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
import os
import secrets
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from aggregator.core.errors import AggregatorError

LOOPBACK = "127.0.0.1"
USER = "aggregator"
PASSWORD = "AGGREGATOR_BROKER_PASSWORD"  # noqa: S105 - the variable's name; the password stands in it
MQTT_VERSION = "3.1.1"  # the only one that the embedded broker speaks
LISTENING = b"listening"
ATTEMPTS = 5  # ports to try: another program may take one between the choice and its use
STARTS_WITHIN = 20.0  # s
STOPS_WITHIN = 3.0  # s


@dataclass(frozen=True, slots=True)
class Access:
    """How to reach a broker and log in. The password never prints."""

    host: str
    port: int
    user: str
    password: str = field(repr=False)


class BrokerDidNotStart(AggregatorError):
    """The embedded broker ended, or did not answer, before it listened."""


@asynccontextmanager
async def embedded_broker() -> AsyncIterator[Access]:
    """A broker on a free port with a new password, for as long as the context lasts; it ends with this process.

    Raises BrokerDidNotStart. Clients must speak MQTT_VERSION.
    """
    if importlib.util.find_spec("amqtt") is None:
        raise BrokerDidNotStart("the demo's broker is not installed. Run `pip install 'meter-aggregator[demo]'`.")
    password = secrets.token_urlsafe(18)
    process, port = await _start(password)
    try:
        yield Access(LOOPBACK, port, USER, password)
    finally:
        await _stop(process)


async def _start(password: str) -> tuple[asyncio.subprocess.Process, int]:
    for _ in range(ATTEMPTS):
        port = free_port()
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "aggregator.demo.broker", "--port", str(port), "--with-parent"),
            env={**os.environ, PASSWORD: password},
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            start_new_session=True,  # a Ctrl-C is for us; we end the broker once nobody needs it
        )
        try:
            if await _is_listening(process):
                return process, port
        except BaseException:
            await _stop(process)
            raise
        await _stop(process)
    raise BrokerDidNotStart("the embedded broker does not start; run `python -m aggregator.demo.broker` to see why")


async def _is_listening(process: asyncio.subprocess.Process) -> bool:
    """Wait until the broker says that it listens; False where it ended or is silent instead."""
    assert process.stdout is not None
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(STARTS_WITHIN):
            line = await process.stdout.readline()
            return line.startswith(LISTENING)
    return False


async def _stop(process: asyncio.subprocess.Process) -> None:
    assert process.stdin is not None
    process.stdin.close()
    try:
        async with asyncio.timeout(STOPS_WITHIN):
            await process.wait()
    except TimeoutError:
        process.kill()
        await process.wait()


def free_port() -> int:
    """A port of the loopback address that nothing listens on at this moment."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port
