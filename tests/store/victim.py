"""A program that stores uplinks and says on its output which are safe, until it is killed.

python victim.py DATABASE FIRST      puts the uplinks FIRST, FIRST + 1, ... and prints each number once it is safe
"""

from __future__ import annotations

import os
import sys
import time
from functools import partial
from pathlib import Path

from aggregator.core.keeping import ClockState, KeptEvent, KeptReading, KeptState, KeptUplink
from aggregator.core.uplink import NO_RADIO
from aggregator.store import Limits, Store

AHEAD = 300  # uplinks that may wait: a broker's window


def kept(number: int) -> KeptUplink:
    at = 1_790_000_000.0 + number
    readings = (KeptReading("flow", number, 0, "m3/h"), KeptReading("pressure", number / 7, 0, "mbar"))
    tag, node = f"FT-{number % 5}", f"0a1def000000000{number % 5}"
    return KeptUplink(tag, node, number, at, None, at, at, ClockState.TRUSTED, False, NO_RADIO, readings)


def say(number: int) -> None:
    os.write(1, b"%d\n" % number)


def main(path: Path, number: int) -> None:
    # A bound on the file keeps retention at work while the kill comes; it is wide enough to lose none of these.
    store = Store.open(path, Limits(most_bytes=50_000_000))
    while True:
        state = KeptState("FT-0", "last", number)
        event = KeptEvent(1.0, "put", None, "victim", {"number": number})
        store.put([kept(number), state, event], partial(say, number))
        number += 1
        while store.waiting > AHEAD:
            time.sleep(0.0005)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
