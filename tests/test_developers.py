"""DEVELOPERS.md: its tables of rooms, held against what the modules import, and the names it gives."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "aggregator"
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
# What touches the world; the core takes none of it.
WORLD = {"asyncio", "logging", "os", "pathlib", "random", "selectors", "shutil", "socket", "sqlite3", "ssl"}
WORLD |= {"subprocess", "tempfile", "threading", "time"}
ASKS = {"open", "print", "input", "datetime.now", "datetime.utcnow", "datetime.today", "date.today"}


def table(begins: str) -> dict[str, set[str]]:
    """A table of rooms: each with what it may import."""
    part = TEXT.split(begins, 1)[1].split("\n\n", 2)[1]
    rows = [re.fullmatch(r"\| `(\w+)` \|[^|]*\|([^|]*)\|", line) for line in part.splitlines()[2:]]
    return {row[1]: set(re.findall(r"`(\w+)`", row[2])) for row in rows if row}


CORE = table("Rooms of `aggregator/core/`:")
AROUND = table("Rooms of `aggregator/` around it:")


def imports(path: Path) -> Iterator[str]:
    """The full names of modules that a file imports; `from package import module` counts as that module."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            folder = ROOT.joinpath(*node.module.split("."))
            for alias in node.names:
                is_module = (folder / f"{alias.name}.py").exists() or (folder / alias.name).is_dir()
                yield f"{node.module}.{alias.name}" if is_module else node.module


def foreign(names: Iterator[str]) -> set[str]:
    """What is neither the standard library's nor this project's, by its first name."""
    return {name.split(".")[0] for name in names} - set(sys.stdlib_module_names) - {"aggregator"}


def own(names: Iterator[str], package: str) -> set[str]:
    """The rooms of a package that are imported, without its other parts."""
    return {name.removeprefix(f"{package}.").split(".")[0] for name in names if name.startswith(f"{package}.")}


@pytest.mark.parametrize("path", sorted((PACKAGE / "core").glob("[a-z]*.py")), ids=lambda path: path.stem)
def test_a_module_of_the_core_imports_what_its_row_says(path: Path) -> None:
    assert path.stem in CORE, f"{path.stem} has no row in DEVELOPERS.md"
    taken = own(imports(path), "aggregator.core") | foreign(imports(path))
    assert taken <= CORE[path.stem]
    assert own(imports(path), "aggregator") <= {"core"}
    assert not WORLD & {name.split(".")[0] for name in imports(path)}


@pytest.mark.parametrize("path", sorted((PACKAGE / "core").glob("*.py")), ids=lambda path: path.stem)
def test_a_module_of_the_core_asks_no_clock_and_opens_no_file(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            assert called not in ASKS, f"line {node.lineno}: {called}"


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_room_imports_what_its_row_says(path: Path) -> None:
    room = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    if room in ("core", "__init__", "__main__"):
        return
    assert room in AROUND, f"{room} has no row in DEVELOPERS.md"
    assert own(imports(path), "aggregator") - {room} | foreign(imports(path)) <= AROUND[room]


def test_no_row_speaks_of_a_room_that_is_not_there() -> None:
    assert set(CORE) <= {path.stem for path in (PACKAGE / "core").glob("*.py")}
    assert set(AROUND) <= {path.stem for path in PACKAGE.iterdir()}
    assert len(CORE) > 10
    assert len(AROUND) > 10


def test_arrows_between_rooms_never_run_in_a_circle() -> None:
    for rooms in (CORE, AROUND):
        left = {room: may & set(rooms) for room, may in rooms.items()}
        while left:
            free = {room for room, may in left.items() if not may & set(left)}
            assert free, f"a circle among {sorted(left)}"
            left = {room: may for room, may in left.items() if room not in free}


def test_every_dotted_name_in_the_text_is_one_of_the_code() -> None:
    """Names such as `Site.receive` and `modbus_server.Client.data_received` are looked up by their last two parts."""
    defined: set[str] = set()
    for path in PACKAGE.rglob("*.py"):
        module = path.parent.name if path.stem == "__init__" else path.stem
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
                defined.add(f"{module}.{node.name}")
                defined |= {
                    f"{node.name}.{each.name}"
                    for each in ast.walk(node)
                    if isinstance(each, ast.FunctionDef | ast.AsyncFunctionDef)
                }
    named = {".".join(name.split(".")[-2:]) for name in dotted_names()}
    assert len(named) > 10
    assert named <= defined, named - defined


def dotted_names() -> set[str]:
    """`Class.method` and `module.name` in back quotes, files left out."""
    found = re.findall(r"`([A-Za-z_]+(?:\.[A-Za-z_]+)+)`", TEXT)
    return {name for name in found if not re.search(r"\.(py|yaml|md)$", name) and not name.startswith("pytest")}
