"""What a validation found wrong, as sentences with a place and a cure."""

from __future__ import annotations

import types
from typing import Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from aggregator.config.document import Document, Steps
from aggregator.config.keys import Keys
from aggregator.config.scalars import Wrong, kind_of
from aggregator.core.errors import ConfigurationError, Place, Problem
from aggregator.core.slip import close_to, near

Model = TypeVar("Model", bound=Keys)
DUE = {
    "model_type": ("a mapping", "Write `key: value` lines, indented below"),
    "dict_type": ("a mapping", "Write `key: value` lines, indented below"),
    "list_type": ("a list", "Write each entry after a dash: `- ...`"),
}


def validate(model: type[Model], document: Document) -> Model:
    """The document as a model. Raises ConfigurationError with every problem in it."""
    try:
        return model.model_validate(document.data)
    except ValidationError as error:
        found = [Found(model, document, each) for each in error.errors(include_url=False)]
    # A key that is missing because it stands there misspelt is told once, as the misspelling.
    meant = {each.meant for each in found}
    raise ConfigurationError(each.problem() for each in found if each.kind != "missing" or each.steps not in meant)


class Found:
    """One of a validation's errors, told to the person who wrote the file."""

    def __init__(self, model: type[Keys], document: Document, error: Any) -> None:
        self.document = document
        self.kind: str = error["type"]
        self.about_key = "[key]" in error["loc"]
        self.steps: Steps = tuple(step for step in error["loc"] if step != "[key]")
        self.given: object = error.get("input")
        self.context: dict[str, Any] = error.get("ctx", {})
        self.known = _keys_at(model, self.steps[:-1])

    @property
    def meant(self) -> Steps | None:
        """The way to the key that an unknown one is a likely slip for."""
        key = close_to(str(self.steps[-1]), self.known) if self.kind == "extra_forbidden" else None
        return None if key is None else (*self.steps[:-1], key)

    def problem(self) -> Problem:
        """The sentence, at the key or value that has to change."""
        if self.kind == "extra_forbidden":
            place = self.document.key_place(*self.steps)
            return Problem(
                place, f"`{self.steps[-1]}` is no key here", near(str(self.steps[-1]), self.known, "Known are")
            )
        if self.kind == "missing":
            place = self.document.place(*self.steps[:-1])
            return Problem(place, f"`{self.steps[-1]}` is missing", f"Add `{self.steps[-1]}: ...` here")
        return Problem(self._place(), *self._what_and_cure())

    def _place(self) -> Place:
        find = self.document.key_place if self.about_key else self.document.place
        return find(*self.steps)

    def _what_and_cure(self) -> tuple[str, str]:
        wrong = self.context.get("error")
        if isinstance(wrong, Wrong):
            return self._named(wrong.what), wrong.cure
        if self.kind == "literal_error":
            return self._not_possible(self.context["expected"])
        if self.kind in DUE:
            due, cure = DUE[self.kind]
            return self._named(f"{kind_of(self.given)} stands where {due} is due"), cure
        if self.kind == "too_short":
            return self._named("there is nothing in it"), "Add at least one entry"
        if self.kind == "too_long":
            return self._named(f"{self.context['actual_length']} entries are too many"), self._at_most()
        # Every other constraint is one of `values`, which says by itself what is wrong.
        raise AssertionError(self.kind)

    def _not_possible(self, expected: str) -> tuple[str, str]:
        if not isinstance(self.given, str):
            return self._named(f"{kind_of(self.given)} stands where one value is due"), "Write a single value"
        allowed = [word.strip("' ") for word in expected.replace(" or ", ",").split(",")]
        if not self.given:
            return self._named("the value is empty"), near("", allowed, "Possible are")
        return self._named(f"`{self.given}` is not possible"), near(
            self.given, allowed, "Possible are", show=len(allowed)
        )

    def _at_most(self) -> str:
        return f"Keep {self.context['max_length']} at most"

    def _named(self, what: str) -> str:
        """The sentence under the name of the key that it speaks of, as the file has it."""
        steps = self.steps
        while steps not in self.document.values:  # a short form stands for keys that the file does not have
            steps = steps[:-1]
        if self.about_key or not steps or isinstance(steps[-1], int):
            return what
        is_offset = steps[-1].isdigit() and steps[-2] != "faults"
        name = f"offset {steps[-1]}" if is_offset else f"`{steps[-1]}`"
        return f"{name}: {what}"


def _keys_at(model: type[Keys], steps: Steps) -> list[str]:
    """The keys that may stand at a place of a file."""
    here: Any = model
    for step in steps:
        here = _inside(here, step)
    return [field.alias or name for name, field in here.model_fields.items()] if _is_model(here) else []


def _inside(annotation: Any, step: str | int) -> Any:
    if _is_model(annotation):
        fields = annotation.model_fields.items()
        inner = next((field.annotation for name, field in fields if step == (field.alias or name)), None)
        return _without_none(inner)
    return _without_none(get_args(annotation)[-1]) if get_origin(annotation) in (list, dict) else None


def _without_none(annotation: Any) -> Any:
    if get_origin(annotation) in (Union, types.UnionType):
        return next(each for each in get_args(annotation) if each is not type(None))
    return annotation


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)
