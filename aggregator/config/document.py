"""A YAML file as text values, each with the place it stands at.

Every scalar is taken as the text it was written as and converted by the type of its field: plain YAML 1.1 would read
`040001` as 16385, a DevEUI of digits as a number, `no` as false and `22:30` as 1350. Duplicate keys are refused; the
YAML library silently keeps the last.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import yaml

from aggregator.core.errors import ConfigurationError, Place, Problem

Steps = tuple[str | int, ...]
"""The way to a value: keys of mappings, positions in lists."""

MOST_NODES = 1_000_000  # aliases repeat what they stand for; a file that explodes is refused before memory runs out
Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass(slots=True)
class Document:
    """One file: its values and where each of them, and each key, stands."""

    file: str
    data: object = None
    values: dict[Steps, Place] = field(default_factory=dict)
    keys: dict[Steps, Place] = field(default_factory=dict)

    def place(self, *steps: str | int) -> Place:
        """Where a value stands, or the nearest thing around it that does."""
        while steps and steps not in self.values:
            steps = steps[:-1]
        return self.values.get(steps, Place(self.file))

    def key_place(self, *steps: str | int) -> Place:
        """Where a key stands, else its value."""
        return self.keys.get(steps) or self.place(*steps)


def read(path: Path) -> Document:
    """The document in a file. Raises ConfigurationError for one that is not there, no UTF-8 or no YAML."""
    name = str(path)
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise ConfigurationError(
            [Problem(Place(name), "the file is not there", "Create it or name another folder")]
        ) from None
    except UnicodeDecodeError as error:
        cure = "Save the file as UTF-8"
        raise ConfigurationError([Problem(Place(name), f"byte {error.start} is not UTF-8", cure)]) from None
    except OSError as error:
        cure = "Give the service's user the right to read it"
        raise ConfigurationError([Problem(Place(name), f"cannot be read: {error.strerror}", cure)]) from None
    return parse(text, name)


def parse(text: str, name: str) -> Document:
    """The document in a text. Raises ConfigurationError where it is no YAML, or has duplicate keys."""
    try:
        root = yaml.compose(text, Loader=Loader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = Place(name, mark.line + 1, mark.column + 1) if mark else Place(name)
        what = " ".join(part for part in (error.context, error.problem) if part)
        cure = "Check the indentation (spaces, no tabs), colons and quotes here and on the line above"
        raise ConfigurationError([Problem(place, f"this is no YAML: {what}", cure)]) from None
    except yaml.YAMLError as error:
        cure = "Remove the character, or save the file as plain UTF-8 text"
        raise ConfigurationError([Problem(Place(name), f"this is no YAML: {error}", cure)]) from None
    document = Document(name)
    walker = _Walker(document)
    document.data = {} if root is None else walker.walk(root, ())
    if walker.problems:
        raise ConfigurationError(walker.problems)
    return document


class _Walker:
    def __init__(self, document: Document) -> None:
        self.document = document
        self.problems: list[Problem] = []
        self.nodes = 0

    def walk(self, node: yaml.Node, steps: Steps) -> object:
        self.nodes += 1
        if self.nodes > MOST_NODES:
            what, cure = "aliases unfold to more than a site can hold", "Write the values out"
            raise ConfigurationError([Problem(self._place(node), what, cure)])
        self.document.values[steps] = self._place(node)
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, steps)
        if isinstance(node, yaml.SequenceNode):
            return [self.walk(each, (*steps, at)) for at, each in enumerate(node.value)]
        return node.value

    def _mapping(self, node: yaml.MappingNode, steps: Steps) -> dict[str, object]:
        result: dict[str, object] = {}
        for key_node, value_node in node.value:
            place = self._place(key_node)
            if not isinstance(key_node, yaml.ScalarNode):
                self.problems.append(Problem(place, "a key must be plain text", "Write `key: value`"))
                continue
            key = key_node.value
            if key == "<<":
                self.problems.append(Problem(place, "merge keys are not read here", "Write the keys out"))
                continue
            if key in result:
                first = self.document.keys[(*steps, key)]
                what = f"`{key}` stands twice here, first in line {first.line}"
                self.problems.append(Problem(place, what, "Keep one of them"))
                continue
            self.document.keys[(*steps, key)] = place
            result[key] = self.walk(value_node, (*steps, key))
        return result

    def _place(self, node: yaml.Node) -> Place:
        return Place(self.document.file, node.start_mark.line + 1, node.start_mark.column + 1)
