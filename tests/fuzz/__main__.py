"""Send frames that nobody should send, for as long as asked: `python -m tests.fuzz [--frames N] [--seed S] [--guided]`.

Prints what was sent, how fast, and whether memory grew. `--guided` lets atheris (the `fuzz` extra) steer by what code a
stream reaches. Ends with 1 and the stream at the first answer that is not the model's.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import sys
import tempfile
import time
from pathlib import Path

from tests.fuzz.streams import stream

SEEDS = 300  # streams that a guided run starts from
PAGE = 4096
MOST_GROWTH = 2_000_000  # bytes; what stays after the first tenth is a leak


def resident() -> int:
    """Bytes of memory that this process holds."""
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * PAGE


def unguided(frames: int, seed: int) -> int:
    from tests.fuzz.trial import Outcome, Trial

    trial, rng = Trial(), random.Random(seed)
    began, streams, early = time.perf_counter(), 0, 0
    while trial.frames < frames:
        try:
            trial.run(*stream(rng))
        except Outcome as outcome:
            print(outcome)
            return 1
        streams += 1
        if not early and trial.frames >= frames / 10:
            early = resident()
    took, grown = time.perf_counter() - began, resident() - early
    print(
        f"{trial.frames} frames in {streams} streams, seed {seed}: {took:.1f} s, {trial.frames / took:.0f} frames/s, "
        f"every answer the model's; memory {early / 1e6:.1f} MB after a tenth, {grown / 1e6:+.1f} MB since"
    )
    if grown > MOST_GROWTH:
        print(f"that is more than {MOST_GROWTH / 1e6:.0f} MB: something is kept that should be let go")
        return 1
    return 0


def guided(frames: int, seed: int) -> int:
    """It ends the process by itself; where something was found, not with 0, and the stream is in a file it names."""
    import atheris

    with atheris.instrument_imports(include=["aggregator.core"], enable_loader_override=False):
        from tests.fuzz.trial import Trial
    trial, began = Trial(), time.perf_counter()
    folder = Path(tempfile.mkdtemp(prefix="fuzz-"))

    def one(data: bytes) -> None:
        trial.run(data[1:], [data[0] * 5] if data else [])
        if trial.frames >= frames:
            took = time.perf_counter() - began
            rate = trial.frames / took
            print(f"{trial.frames} frames, guided, seed {seed}: {took:.1f} s, {rate:.0f} frames/s", flush=True)
            shutil.rmtree(folder)
            os._exit(0)  # by no exception: atheris takes each for something found

    rng = random.Random(seed)
    for at in range(SEEDS):
        data, _ = stream(rng)
        (folder / str(at)).write_bytes(bytes((at & 0xFF,)) + data)
    options = [f"-seed={seed}", "-max_len=1200", f"-artifact_prefix={folder}/"]
    atheris.Setup([sys.argv[0], *options, str(folder)], one)
    atheris.Fuzz()
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=1_000_000, help="how many frames to send (default %(default)s)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", action="store_true", help="let coverage steer (needs the `fuzz` extra)")
    asked = parser.parse_args()
    return (guided if asked.guided else unguided)(asked.frames, asked.seed)


if __name__ == "__main__":
    sys.exit(main())
