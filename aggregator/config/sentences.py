"""What a validation found wrong, as sentences with a place and a cure."""

from __future__ import annotations

import difflib
import types
from typing import Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from aggregator.config.document import Document, Steps
from aggregator.config.files import Keys
from aggregator.config.scalars import Wrong
from aggregator.core.errors import ConfigurationError, Problem

Model = TypeVar("Model", bound=Keys)
KIND_WORDS = {
    "model_type": "a mapping (`key: value` lines)",
    "dict_type": "a mapping",
    "list_type": "a list (`- ` lines)",
}


def validate(model: type[Model], document: Document) -> Model:
    """The document as a model. Raises ConfigurationError with every problem in it."""
    try:
        return model.model_validate(document.data)
    except ValidationError as error:
        raise ConfigurationError(_problem(model, document, each) for each in error.errors()) from None


def _problem(model: type[Keys], document: Document, error: Any) -> Problem:
    steps: Steps = tuple(step for step in error["loc"] if step != "[key]")
    last = str(steps[-1]) if steps else document.file
    given = error.get("input")
    match error["type"]:
        case "extra_forbidden":
            known = _keys_at(model, steps[:-1])
            return Problem(document.key_place(*steps), f"`{last}` is no key here", _advice(last, known))
        case "missing":
            return Problem(document.place(*steps[:-1]), f"`{last}` is missing", f"Add `{last}: ...` here")
        case "value_error" if isinstance(error["ctx"]["error"], Wrong):
            wrong = error["ctx"]["error"]
            name = f"`{last}`: " if steps and isinstance(steps[-1], str) else ""
            place = document.key_place(*steps) if "[key]" in error["loc"] else document.place(*steps)
            return Problem(place, name + wrong.what, wrong.cure)
        case "literal_error" | "enum":
            allowed = [word.strip("' ") for word in error["ctx"]["expected"].replace(" or ", ",").split(",")]
            shown = given if isinstance(given, str) else "this"
            what = (
                f"`{last}`: `{shown}` is not possible" if isinstance(steps[-1], str) else f"`{shown}` is not possible"
            )
            return Problem(document.place(*steps), what, _advice(str(given), allowed))
        case "model_type" | "dict_type" | "list_type" as kind:
            what = f"`{last}` must be {KIND_WORDS[kind]}"
            return Problem(document.place(*steps), what, "Indent what belongs to it below it")
        case "string_type":
            return Problem(document.place(*steps), f"`{last}` must be one value", "Write a single value")
        case "too_short":
            return Problem(document.place(*steps), f"`{last}` is empty", "Add at least one entry")
        case _:
            return Problem(document.place(*steps), f"`{last}`: {_plain(error)}", "Write a value within that limit")


def _plain(error: Any) -> str:
    message = str(error["msg"])
    return message.replace("Input should be", f"{error['input']} should be").replace("input", "value")


def _advice(word: str, known: list[str]) -> str:
    """The near word, where there is one, else all of them."""
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    if near:
        return f"Write `{near[0]}`, if that is what was meant"
    return f"Possible here: {', '.join(known)}"


def _keys_at(model: type[Keys], steps: Steps) -> list[str]:
    """The keys that may stand at a place of a file."""
    here: Any = model
    for step in steps:
        here = _inside(here, step)
    return [field.alias or name for name, field in here.model_fields.items()] if _is_model(here) else []


def _inside(annotation: Any, step: str | int) -> Any:
    if _is_model(annotation):
        fields = annotation.model_fields
        field = fields.get(step) or next((each for each in fields.values() if each.alias == step), None)
        return _without_none(field.annotation) if field else None
    if get_origin(annotation) in (list, dict):
        return _without_none(get_args(annotation)[-1])
    return None


def _without_none(annotation: Any) -> Any:
    if get_origin(annotation) in (Union, types.UnionType):
        return next(each for each in get_args(annotation) if each is not type(None))
    return annotation


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)
