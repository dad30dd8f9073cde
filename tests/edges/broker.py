"""A broker of its own for a test, and what publishes to it."""

from __future__ import annotations

import socket
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion


@dataclass
class Broker:
    """A mosquitto process with a folder and a configuration file of its own."""

    program: str
    folder: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and return once it takes connections."""
        command = [self.program, "-c", str(self.folder / "broker.conf")]
        with (self.folder / "broker.log").open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        deadline = time.monotonic() + 10
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
            except OSError:
                running = self.process.poll() is None and time.monotonic() < deadline
                assert running, (self.folder / "broker.log").read_text()
                time.sleep(0.02)
            else:
                return

    def subscriptions(self, client: str = "alder-fen-test") -> int:
        """How often a client has subscribed to the small site's first topic, by the broker's own log."""
        return (self.folder / "broker.log").read_text().count(f"{client} 1 lns/alder-fen/+/up")

    def signal(self, number: int) -> None:
        assert self.process
        self.process.send_signal(number)

    def kill(self) -> None:
        """End it at once, as a power cut does."""
        assert self.process
        self.process.kill()
        self.process.wait(10)

    def publisher(self, user: str | None = None, password: str | None = None) -> Publisher:
        return Publisher(self.port, user, password)


class Publisher:
    """What publishes uplinks; each `send` returns once the broker has acknowledged."""

    def __init__(self, port: int, user: str | None = None, password: str | None = None) -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.max_inflight_messages_set(200)
        self.client.username_pw_set(user, password)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def send(self, *messages: bytes, topic: str = "lns/alder-fen/node/up", retain: bool = False) -> None:
        sent = [self.client.publish(topic, each, qos=1, retain=retain) for each in messages]
        for each in sent:
            each.wait_for_publish(30)
            assert each.is_published()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
