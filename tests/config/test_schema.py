"""JSON Schemas as files."""

from __future__ import annotations

import json
from pathlib import Path

from aggregator.config.files import FILES, schema_of
from aggregator.config.schema import write_schemas


def test_a_schema_is_written_for_each_kind_of_file(tmp_path: Path) -> None:
    written = write_schemas(tmp_path / "new" / "schemas")
    assert [path.name for path in written] == [f"{kind}.schema.json" for kind in FILES]
    for kind, path in zip(FILES, written, strict=True):
        assert json.loads(path.read_text(encoding="utf-8")) == schema_of(kind)
        assert path.read_text(encoding="utf-8").endswith("}\n")
