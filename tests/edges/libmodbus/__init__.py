"""A program on libmodbus, a register server and client that is not ours: built where it is wanted."""

from __future__ import annotations

import subprocess
from pathlib import Path

SOURCE = Path(__file__).parent / "peer.c"
OPTIONS = ("-std=gnu11", "-Wall", "-Wextra", "-Werror", "-O2")


def build(compiler: str, folder: Path) -> Path:
    """Have the program built into a folder; where it stands."""
    built = folder / "peer"
    subprocess.run([compiler, *OPTIONS, "-o", str(built), str(SOURCE), "-lmodbus"], check=True, timeout=60)
    return built
