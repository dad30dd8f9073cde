"""A node network at a steady rate: `python -m tests.bench.publisher PORT METERS RATE COUNT FIRST_COUNTER`.

Uplink number n (from 1 on) goes to meter n mod METERS and carries the volume n. Prints, once all are acknowledged, one
JSON list of the instants (ns of the monotonic clock, which all processes of the machine share) just before each was
handed to the socket.
"""

from __future__ import annotations

import json
import sys
import time

from tests.bench.consumers import connect, session
from tests.bench.processes import BenchError
from tests.bench.sites import topic, uplink

ACKNOWLEDGED_WITHIN = 10.0  # s


def publish(port: int, meters: int, rate: float, count: int, first_counter: int) -> list[int]:
    """Publish at QoS 1, each at its time whatever became of the one before.

    Without the library's thread: handing over to it would count as the service's delay.
    """
    client = session("publisher")
    acknowledged: list[int] = []
    client.on_publish = lambda _client, _data, mid, _code, _properties: acknowledged.append(mid)
    client.max_inflight_messages_set(0)
    connect(client, port)
    while not client.is_connected():
        client.loop(0.1)
    instants = []
    began = time.perf_counter_ns()
    for at in range(count):
        due = began + int(at * 1e9 / rate)
        meter = (at + 1) % meters
        message = uplink(meter, first_counter + at // meters, volume=at + 1)
        while time.perf_counter_ns() < due:
            client.loop(max(0.0, min(0.001, (due - time.perf_counter_ns()) / 1e9)))
        instants.append(time.perf_counter_ns())
        client.publish(topic(meter), message, 1)
    end = time.monotonic() + ACKNOWLEDGED_WITHIN
    while len(acknowledged) < count:
        client.loop(0.1)
        if time.monotonic() > end:
            raise BenchError(f"the broker acknowledged {len(acknowledged)} of {count} messages")
    client.disconnect()
    return instants


if __name__ == "__main__":
    given, per_second, number, counter = int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4]), int(sys.argv[5])
    print(json.dumps(publish(int(sys.argv[1]), given, per_second, number, counter)), flush=True)
