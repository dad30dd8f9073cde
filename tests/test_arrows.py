"""Which way the code points: the core knows no edge, no edge another, and each foreign library lives in one room."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "aggregator"
MODULES = sorted(PACKAGE.rglob("*.py"))
# What touches the world outside, or says what time it is: none of it in the core.
WORLDLY = {"asyncio", "socket", "logging", "time", "os", "pathlib", "threading", "subprocess", "random", "ssl"}
# The wiring, which alone may know several edges.
WIRING = {
    "archive",
    "certificates",
    "cli",
    "commands",
    "daemon",
    "declared",
    "demo",
    "freezing",
    "front",
    "keeper",
    "listening",
    "recording",
    "reloading",
    "replay",
    "takeout",
    "terminal",
    "__main__",
}
# Rooms beside the core that are no edge either: they hold no socket and no file of their own.
SHARED = {"core", "register_list", "turns", "__init__"}
# Foreign library -> the rooms that may import it, by the path of the module or its folder.
LIBRARIES = {
    "jsonpointer": {"core/pointer"},
    "yaml": {"config/document"},
    "pint": {"config/units"},
    "pydantic": {"config", "web"},
    "pydantic_core": {"config", "web"},
    "paho": {"mqtt", "demo"},
    "amqtt": {"demo"},
    "pymodbus": {"poller"},
    "serial": {"serial_port"},
    "cryptography": {"core/certificate"},
    "structlog": {
        "certificates",
        "control",
        "daemon",
        "front",
        "keeper",
        "listening",
        "logs",
        "modbus_server",
        "mqtt",
        "reloading",
        "serial_port",
        "web",
    },
    "fastapi": {"web"},
    "starlette": {"web"},
    "uvicorn": {"web"},
    "jinja2": {"web"},
    "argon2": {"web"},
    "prometheus_client": {"web"},
    "typer": {"cli"},
    "rich": {"terminal", "cli"},
    "uvloop": {"cli"},
}


def name_of(module: Path) -> str:
    """A module's path inside the package, without its ending: `core/site`."""
    return module.relative_to(PACKAGE).with_suffix("").as_posix()


def room_of(name: str) -> str:
    return name.split("/", maxsplit=1)[0]


def imports(module: Path) -> Iterator[tuple[str, int]]:
    """Every module that a module imports, wherever in it that stands, with the line."""
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((each.name, node.lineno) for each in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}:{node.lineno}: a relative import"
            source = node.module or ""
            if source == "aggregator":  # `from aggregator import logs` names a module
                yield from ((f"aggregator.{each.name}", node.lineno) for each in node.names)
            else:
                yield source, node.lineno


def own(imported: str) -> str | None:
    """The room of this package that an import leads to, None for another package."""
    parts = imported.split(".")
    if parts[0] != "aggregator" or len(parts) == 1:
        return None
    return None if parts[1].startswith("__") else parts[1]


def everywhere() -> Iterator[tuple[str, str, str]]:
    """Module, what it imports, and the place as an editor opens it."""
    for module in MODULES:
        for imported, line in imports(module):
            yield name_of(module), imported, f"aggregator/{name_of(module)}.py:{line}"


def test_there_is_something_to_hold() -> None:
    assert {"core/site", "config/files", "mqtt/link", "modbus_server/server", "cli/app"} <= {
        name_of(module) for module in MODULES
    }
    assert ("core/pointer", "jsonpointer") in {(module, imported) for module, imported, _ in everywhere()}


def test_the_core_knows_only_itself_and_the_standard_library() -> None:
    wrong = []
    for module, imported, place in everywhere():
        if room_of(module) != "core":
            continue
        top = imported.split(".")[0]
        inside = own(imported) == "core" or imported == "aggregator.__version__"
        standard = top in sys.stdlib_module_names or top == "__future__"
        if not inside and not standard and module not in LIBRARIES.get(top, ()):
            wrong.append(f"{place}: {imported}")
    assert wrong == []


def test_the_core_touches_no_world_and_no_clock() -> None:
    wrong = [
        f"{place}: {imported}"
        for module, imported, place in everywhere()
        if room_of(module) == "core" and imported.split(".")[0] in WORLDLY
    ]
    assert wrong == []


# What a name in the core may not reach: `sys` is there for the largest number that a float holds.
OUTWARD = ("datetime.now", "datetime.utcnow", "date.today", "sys.stdout", "sys.stderr", "sys.stdin", "sys.argv")


def test_the_core_opens_nothing_and_prints_nothing() -> None:
    wrong = []
    for module in sorted((PACKAGE / "core").rglob("*.py")):
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id in ("open", "print", "input")
            ):
                wrong.append(f"{module}:{node.lineno}: {node.func.id}")
            if isinstance(node, ast.Attribute) and ast.unparse(node) in OUTWARD:
                wrong.append(f"{module}:{node.lineno}: {ast.unparse(node)}")
    assert wrong == []


@pytest.mark.parametrize("room", sorted({room_of(name_of(module)) for module in MODULES} - WIRING - SHARED))
def test_no_edge_knows_another(room: str) -> None:
    allowed = {room, *SHARED}
    wrong = [
        f"{place}: {imported}"
        for module, imported, place in everywhere()
        if room_of(module) == room and own(imported) is not None and own(imported) not in allowed
    ]
    assert wrong == []


def test_each_foreign_library_lives_in_its_own_room() -> None:
    wrong = []
    for module, imported, place in everywhere():
        top = imported.split(".")[0]
        if top in sys.stdlib_module_names or top in ("__future__", "aggregator"):
            continue
        rooms = LIBRARIES.get(top, set())
        if module not in rooms and room_of(module) not in rooms:
            wrong.append(f"{place}: {imported}")
    assert wrong == []


def test_every_library_of_the_table_is_in_use_and_declared() -> None:
    used = {imported.split(".")[0] for _, imported, _ in everywhere()}
    assert set(LIBRARIES) <= used
    declared = (ROOT / "pyproject.toml").read_text(encoding="utf-8").lower()
    distributions = {
        "argon2": "argon2-cffi",
        "paho": "paho-mqtt",
        "prometheus_client": "prometheus-client",
        "pydantic_core": "pydantic",
        "serial": "pyserial",
        "yaml": "pyyaml",
    }
    assert [name for name in LIBRARIES if f'"{distributions.get(name, name)}>=' not in declared] == []


def test_nothing_of_the_package_knows_the_tests() -> None:
    assert [place for _, imported, place in everywhere() if imported.split(".")[0] == "tests"] == []
