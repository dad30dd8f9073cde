"""What the measurements print: the machine once, then one table a case, each figure beside its baseline and target."""

from __future__ import annotations

import os
import platform
import shutil
import statistics
import subprocess
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

LIBRARIES = ("uvloop", "pymodbus", "paho-mqtt", "pydantic", "PyYAML", "structlog")
NO_TERMINAL = 160  # columns where nobody looks
console = Console(width=None if Console().is_terminal else NO_TERMINAL, highlight=False)


@dataclass(frozen=True, slots=True)
class Target:
    """A figure with the bound it is held against: at least (`floor`) or at most that much."""

    figure: float
    bound: float
    unit: str = ""
    floor: bool = False

    @property
    def is_met(self) -> bool:
        return self.figure >= self.bound if self.floor else self.figure <= self.bound

    def __str__(self) -> str:
        sign = ">=" if self.floor else "<="
        return f"{self.figure:.2f} {sign} {self.bound:g}{self.unit} {'met' if self.is_met else 'MISSED'}"


Cell = str | Target


def table(title: str, columns: Sequence[str], rows: Iterable[Sequence[Cell]], notes: Sequence[str] = ()) -> None:
    """Print a table, a missed target in bold."""
    grid = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False)
    for at, column in enumerate(columns):
        grid.add_column(column, justify="left" if at == 0 else "right", no_wrap=at > 0)
    for row in rows:
        cells = [Text(str(cell), "bold red" if isinstance(cell, Target) and not cell.is_met else "") for cell in row]
        grid.add_row(*cells)
    console.print()
    console.print(grid)
    for note in notes:
        console.print(f"  {note}", style="dim")


def machine() -> None:
    """Print what the figures were taken on."""
    cores = len(os.sched_getaffinity(0))
    console.print(f"{_processor()}, {cores} cores, {platform.system()} {platform.release()}, load {_load()}")
    libraries = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    console.print(f"Python {platform.python_version()}, {libraries}, {_broker_version()}")


def _processor() -> str:
    lines = Path("/proc/cpuinfo").read_text().splitlines()
    name = next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), platform.machine())
    model = next((line.partition(":")[2].strip() for line in lines if line.startswith("model\t")), "?")
    return f"{name} (model {model})"


def _load() -> str:
    return f"{os.getloadavg()[0]:.1f} before the start"


def _broker_version() -> str:
    program = shutil.which("mosquitto")
    if program is None:
        return "no mosquitto"
    return subprocess.run((program, "-h"), capture_output=True, text=True, check=False).stdout.splitlines()[0]


def median(figures: Iterable[float]) -> float:
    return statistics.median(figures)


def ratio(figures: Iterable[float], baseline: Iterable[float]) -> float:
    """The median of the ratios round by round: what disturbs the machine disturbs both of a pair."""
    return statistics.median(figure / base for figure, base in zip(figures, baseline, strict=True))


def percentile(figures: Sequence[float], share: float) -> float:
    """The smallest figure that `share` of them (0 to 1) do not exceed."""
    ranked = sorted(figures)
    return ranked[min(len(ranked) - 1, int(share * len(ranked)))]
