"""JSON Schemas of the files, so that an editor completes keys and underlines mistakes."""

from __future__ import annotations

import json
from pathlib import Path

from aggregator.config.files import FILES, schema_of


def schema_text(kind: str) -> str:
    """The JSON Schema of a kind of file, ready to be kept in a file."""
    return json.dumps(schema_of(kind), indent=2, ensure_ascii=False) + "\n"


def write_schemas(folder: Path) -> list[Path]:
    """Write every schema into a folder as `KIND.schema.json`. Returns the files."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for kind in FILES:
        path = folder / f"{kind}.schema.json"
        path.write_text(schema_text(kind), encoding="utf-8")
        written.append(path)
    return written
