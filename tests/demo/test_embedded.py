"""The embedded broker: who gets in, and that it is gone when its program is."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from aggregator.demo import embedded
from aggregator.demo.embedded import Access, BrokerDidNotStart, embedded_broker, free_port


async def answer_to(access: Access, user: str | None, password: str | None) -> str:
    """What the broker says to a client that connects so: the reason in words."""
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[str] = loop.create_future()

    def take(reason: str) -> None:
        if not answer.done():
            answer.set_result(reason)

    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    if user is not None:
        client.username_pw_set(user, password)

    def on_connect(_client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        loop.call_soon_threadsafe(take, str(reason))

    def on_disconnect(_client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        loop.call_soon_threadsafe(take, f"closed: {reason}")

    client.on_connect = on_connect
    client.on_disconnect = on_disconnect
    await asyncio.to_thread(client.connect, access.host, access.port)
    client.loop_start()
    try:
        async with asyncio.timeout(10):
            return await answer
    finally:
        client.disconnect()
        await asyncio.to_thread(client.loop_stop)


def accepts(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


async def no_longer_accepts(port: int) -> None:
    async with asyncio.timeout(10):
        while accepts(port):  # noqa: ASYNC110 - another process's socket has no event
            await asyncio.sleep(0.02)


async def test_the_broker_lets_in_its_user_and_nobody_else() -> None:
    async with embedded_broker() as access:
        assert await answer_to(access, access.user, access.password) == "Success"
        assert await answer_to(access, access.user, "wrong") != "Success"
        assert await answer_to(access, "somebody", access.password) != "Success"
        assert await answer_to(access, None, None) != "Success"
        assert await answer_to(access, access.user, None) != "Success"
        assert await answer_to(access, access.user, access.password) == "Success"


def listeners_on(port: int) -> set[str]:
    """The local addresses that something listens on at a port, as the kernel writes them (proc(5), net/tcp)."""
    rows = [line.split() for file in ("tcp", "tcp6") for line in Path(f"/proc/net/{file}").read_text().splitlines()[1:]]
    return {row[1].split(":")[0] for row in rows if row[1].endswith(f":{port:04X}") and row[3] == "0A"}


async def test_the_broker_listens_on_loopback_only() -> None:
    async with embedded_broker() as access:
        assert listeners_on(access.port) == {"0100007F"}


async def test_the_broker_is_gone_after_the_context() -> None:
    async with embedded_broker() as access:
        assert accepts(access.port)
    assert not accepts(access.port)


async def test_the_broker_is_gone_after_an_error_in_the_context() -> None:
    port = 0
    with contextlib.suppress(KeyError):
        async with embedded_broker() as access:
            port = access.port
            raise KeyError
    assert port
    assert not accepts(port)


PARENT = """
import asyncio
from aggregator.demo.embedded import embedded_broker
async def main():
    async with embedded_broker() as access:
        print(access.port, access.user, access.password, flush=True)
        await asyncio.Event().wait()
asyncio.run(main())
"""


async def test_the_broker_is_gone_after_its_program_was_killed() -> None:
    parent = await asyncio.create_subprocess_exec(sys.executable, "-c", PARENT, stdout=asyncio.subprocess.PIPE)
    assert parent.stdout is not None
    port, user, password = (await parent.stdout.readline()).decode().split()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)  # one that stays and does not let go
    client.username_pw_set(user, password)
    client.connect("127.0.0.1", int(port))
    os.kill(parent.pid, signal.SIGKILL)
    await parent.wait()
    await no_longer_accepts(int(port))
    client.disconnect()


async def test_two_brokers_stand_side_by_side() -> None:
    async with embedded_broker() as one, embedded_broker() as other:
        assert one.port != other.port
        assert await answer_to(other, one.user, one.password) != "Success"


async def test_a_port_that_is_taken_is_left_for_another(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        ports = iter([holder.getsockname()[1], free_port()])
        monkeypatch.setattr(embedded, "free_port", lambda: next(ports))
        async with embedded_broker() as access:
            assert access.port != holder.getsockname()[1]


async def test_a_broker_that_is_not_installed_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)
    with pytest.raises(BrokerDidNotStart, match="pip install"):
        async with embedded_broker():
            pytest.fail("it must not start")


def test_an_access_does_not_print_its_password() -> None:
    assert "secret" not in repr(Access("127.0.0.1", 1883, "aggregator", "secret"))
