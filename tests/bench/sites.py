"""Sites to measure with: folders of configuration, the uplinks of their nodes, and where a value stands.

Each meter has a block of 20 input registers from address 100 on, which lets 3000 meters stand in one device:

    +0 status   +1 age   +2 flow   +4 volume   +6 pressure   ...   +16 battery      eight fields, two registers each
"""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from tests.bench.processes import LOOPBACK

FIRST, EVERY = 100, 20
VOLUME_AT = 4  # from the start of a meter's block: the one field that carries a running number
GATEWAY_BLOCK = 40  # registers from 0 on
TOPIC = "lns/alder-fen/{}/up"
CLIENT = "aggregator"

PROFILE = """\
profile: flow-analyser
title: Gas flow meter with analyser
fields:
  flow: {unit: m3/h, range: 0 .. 650}
  volume: {unit: m3}
  pressure: {unit: mbarg, range: -20 .. 200}
  temperature: {unit: °C, range: -20 .. 60 °C}
  methane: {unit: "%vol", range: 0 .. 100}
  carbon_dioxide: {unit: "%vol", range: 0 .. 100}
  h2s: {unit: ppm, range: 0 .. 5000}
  battery: {unit: V, range: 2 .. 4}
decoded:
  flow: flow
  volume: /totals/volume
  pressure: pressure
  temperature: {at: temperature, scale: 0.1, offset: -40}
  methane: methane
  carbon_dioxide: carbon_dioxide
  h2s: h2s
  battery: {at: /node/battery, unit: mV}
"""

MAP = """\
layouts:
  flow-point:
    input:
      0: status
      1: age
      2: {field: flow}
      4: {field: volume, as: uint32, scale: 0.01}
      6: {field: pressure}
      8: {field: temperature}
      10: {field: methane}
      12: {field: carbon_dioxide}
      14: {field: h2s, as: uint32, scale: 0.1}
      16: {field: battery}
    discrete: {0: bad, 1: uncertain, 2: stale, 3: out_of_range}
    coil: {0: under_test}
devices:
"""

DEVICE = """\
  - unit: {unit}
    gateway_block: 0
    place:
      - layout: flow-point
        input: {{from: {first}, every: {every}}}
        discrete: {{from: {first}, every: 4}}
        coil: {{from: {first}, every: 1}}
        meters: [{tags}]
"""

SITE = """\
site: Alder Fen biogas works
broker: {{host: {host}, port: {broker}, client: {client}}}
uplinks:
  - topic: lns/alder-fen/+/up
    node: /device/eui
    counter: /frame/counter
    port: /frame/port
    received: /received_at
    fields: /decoded
    payload: {{at: /frame/data, as: base64}}
    radio: {{rssi: /radio/0/rssi, snr: /radio/0/snr, spreading_factor: /frame/sf}}
listeners:
  - {{tcp: "{host}:{modbus}", clients: 256, clients_per_host: 256}}
log: {{level: warning}}
"""


@dataclass(frozen=True, slots=True)
class BenchSite:
    """A site on disk and the ports that it names."""

    folder: Path
    meters: int
    modbus: int
    broker: int


def node(meter: int) -> str:
    """The DevEUI on the meter with this number, counted from 0."""
    return f"0a1def00{meter:08x}"


def topic(meter: int) -> str:
    return TOPIC.format(node(meter))


def volume_address(meter: int) -> int:
    """The first of the two registers that show a meter's volume."""
    return FIRST + EVERY * meter + VOLUME_AT


def volume_in(registers: bytes, at: int = 0) -> int:
    """The whole cubic metres in the two volume registers that begin `at` registers into a read."""
    hundredths: int = struct.unpack_from(">I", registers, 2 * at)[0]
    return hundredths // 100


def write_site(folder: Path, meters: int, *, modbus: int, broker: int = 1, devices: int = 1) -> BenchSite:
    """Write the files of a site with so many meters, one node on each, all of them in each of so many devices."""
    (folder / "profiles").mkdir(parents=True)
    tags = [f"FT-{1000 + at}" for at in range(meters)]
    (folder / "profiles" / "flow-analyser.yaml").write_text(PROFILE, encoding="utf-8")
    shown = [DEVICE.format(unit=1 + each, first=FIRST, every=EVERY, tags=", ".join(tags)) for each in range(devices)]
    (folder / "map.yaml").write_text(MAP + "".join(shown), encoding="utf-8")
    (folder / "site.yaml").write_text(
        SITE.format(host=LOOPBACK, broker=broker, client=CLIENT, modbus=modbus), encoding="utf-8"
    )
    lines = ["defaults: {reports_every: 15 min}", "meters:"]
    lines += [
        f"  - {{tag: {tag}, name: Point {at}, area: digesters, profile: flow-analyser, node: {node(at)}}}"
        for at, tag in enumerate(tags)
    ]
    (folder / "meters.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return BenchSite(folder, meters, modbus, broker)


def uplink(meter: int, counter: int, volume: int, received: datetime | None = None) -> bytes:
    """One message of a meter's node, as a network server hands it on: eight decoded fields, heard just now."""
    moment = received or datetime.now(UTC)
    document = {
        "device": {"eui": node(meter)},
        "received_at": moment.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "frame": {"counter": counter, "port": 2, "sf": 9},
        "radio": [{"rssi": -101, "snr": 5.5}],
        "decoded": {
            "flow": 120 + counter % 50 / 10,
            "totals": {"volume": volume},
            "pressure": 21.5,
            "temperature": 612,
            "methane": 54.3,
            "carbon_dioxide": 43.1,
            "h2s": 87.5,
            "node": {"battery": 3590},
        },
    }
    return json.dumps(document).encode()
