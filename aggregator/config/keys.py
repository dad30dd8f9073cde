"""What all models of a site's files share."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict

from aggregator.config.scalars import Wrong


class Keys(BaseModel):
    """What every part of a file is: keys that are all known, values that never change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def short_too(short: dict[str, object]) -> ConfigDict:
    """Have the JSON Schema allow a model's short form, a single value, beside its mapping."""

    def allow(schema: dict[str, Any]) -> None:
        mapping = dict(schema)
        schema.clear()
        schema["anyOf"] = [short, mapping]

    return ConfigDict(json_schema_extra=allow)


def one_of(model: Keys, names: tuple[str, ...], what: str) -> None:
    given = [f"`{name}`" for name in names if getattr(model, name) is not None]
    if len(given) > 1:
        raise Wrong(f"{what} has {' and '.join(given)}", "Keep one of them")
    if not given:
        raise Wrong(f"{what} has none of {', '.join(f'`{name}`' for name in names)}", "Give one of them")
