"""A YAML file as text values, each with the place it stands at.

Every scalar is taken as the text it was written as and converted by the type of its field: plain YAML 1.1 would read
`040001` as 16385, a DevEUI of digits as a number, `no` as false and `22:30` as 1350. Duplicate keys are refused; the
YAML library silently keeps the last.
"""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from aggregator.core.errors import ConfigurationError, Place, Problem

Steps = tuple[str | int, ...]
"""The way to a value: keys of mappings, positions in lists."""

MOST_NODES = 300_000  # aliases repeat what they stand for; a file that explodes is refused before memory runs out
DEEPEST = 32  # no key of a site lies a third as deep; an alias inside what it stands for goes down for ever
Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
# What YAML forbids (1.1 section 5.1), and the three line breaks that no editor counts as such.
UNREADABLE = re.compile(r"[^\t\n\r -~\xA0-\u2027\u202A-\uD7FF\uE000-\uFFFD\U00010000-\U0010FFFF]")
IN_QUOTES = "Put the value in quotes"
# What the library says -> where that is best shown (True: where the broken part begins), what it means, what to do.
PHRASES = (
    (
        "mapping values are not allowed",
        False,
        "a colon stands where no key can be",
        "Indent this line like its neighbours; put a value that has a colon in it in quotes",
    ),
    (
        "found unexpected end of stream",
        True,
        "the quote that opens here is never closed",
        "Close it on the same line",
    ),
    (
        "did not find expected ',' or",
        True,
        "the bracket that opens here is not closed",
        "Close it, or add a comma",
    ),
    ("could not find expected ':'", True, "this line is no `key: value`", "Write a colon and a blank after the key"),
    ("did not find expected key", False, "this does not fit what stands above it", "Check indentation and quotes here"),
    (
        "did not find expected '-'",
        False,
        "this does not fit the list above it",
        "Begin it with `- ` or indent it",
    ),
    ("did not find expected <document start>", False, "this line is indented less than the first", "Indent all alike"),
    (
        "found undefined alias",
        False,
        "a value that begins with * is an alias, and nothing has that name",
        IN_QUOTES,
    ),
    (
        "but found another document",
        False,
        "a second document begins here",
        "Remove the `---` line",
    ),
)


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
    if path.is_fifo():  # it would be waited for
        raise _refusal(Place(name), "this is a pipe", "Put a file in its place")
    try:
        data = path.read_bytes().removeprefix(codecs.BOM_UTF8)
    except FileNotFoundError:
        raise _refusal(Place(name), "the file is not there", "Create it or name another folder") from None
    except OSError as error:
        what = f"cannot be read: {(error.strerror or 'unknown reason').lower()}"
        raise _refusal(Place(name), what, "Make it a file that the service's user may read") from None
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        place = _place_at(name, data[: error.start].decode("utf-8"))
        what = f"the byte 0x{data[error.start]:02X} is not UTF-8"
        raise _refusal(place, what, "Save the file as UTF-8") from None
    return parse(text, name)


def parse(text: str, name: str) -> Document:
    """The document in a text. Raises ConfigurationError where it is no YAML, or has duplicate keys."""
    odd = UNREADABLE.search(text)
    if odd:
        what = f"the character U+{ord(odd[0]):04X} cannot stand in a text"
        raise _refusal(_place_at(name, text[: odd.start()]), what, "Remove it")
    try:
        root = yaml.compose(text, Loader=Loader)
    except yaml.MarkedYAMLError as error:
        raise ConfigurationError([_no_yaml(error, text, name)]) from None
    document = Document(name)
    walker = _Walker(document)
    document.data = {} if root is None else walker.walk(root, ())
    if walker.problems:
        raise ConfigurationError(walker.problems)
    return document


def _refusal(place: Place, what: str, cure: str) -> ConfigurationError:
    return ConfigurationError([Problem(place, what, cure)])


def _place_at(name: str, before: str) -> Place:
    return Place(name, before.count("\n") + 1, len(before) - before.rfind("\n"))


def _no_yaml(error: yaml.MarkedYAMLError, text: str, name: str) -> Problem:
    """The library's complaint as a sentence for the person who wrote the file."""
    said = error.problem or ""
    phrase = next((each for each in PHRASES if each[0] in said), None)
    mark = error.problem_mark or error.context_mark
    if phrase is not None and phrase[1]:
        mark = error.context_mark or mark
    lines = re.split(r"\r\n|\r|\n", text)
    place = Place(name, mark.line + 1, mark.column + 1) if mark else Place(name)
    if place.line > len(lines):
        place = Place(name, len(lines), len(lines[-1]) + 1)
    rest = lines[place.line - 1][place.column - 1 :]
    if rest.startswith("\t"):
        return Problem(place, "a tab stands where a line is indented", "Indent with blanks")
    if phrase is not None:
        return Problem(place, *phrase[2:])
    if "cannot start any token" in said and rest:
        return Problem(place, f"a value cannot begin with {rest[0]}", IN_QUOTES)
    what = f"this is no YAML: {said}" if said else "this is no YAML"
    return Problem(place, what, "Check indentation, brackets and quotes here; put odd values in quotes")


def _cut_number(before: yaml.Node, key: yaml.Node, value: yaml.Node) -> str | None:
    """A number with a decimal comma that YAML took for a value and one more key, as in `{scale: 0,001}`."""
    if not isinstance(before, yaml.ScalarNode) or not isinstance(key, yaml.ScalarNode) or value.value != "":
        return None
    together = key.start_mark.index == before.end_mark.index + 1
    cut = together and re.fullmatch(r"[+-]?[0-9]+", before.value) and re.match(r"[0-9]", key.value)
    return f"{before.value},{key.value}" if cut else None


class _Walker:
    def __init__(self, document: Document) -> None:
        self.document = document
        self.problems: list[Problem] = []
        self.nodes = 0

    def walk(self, node: yaml.Node, steps: Steps) -> object:
        self.nodes += 1
        if self.nodes > MOST_NODES:
            raise _refusal(self._place(node), "aliases unfold to more than a site can hold", "Write the values out")
        if len(steps) > DEEPEST:
            raise _refusal(
                self._place(node), "this is nested deeper than any key of a site", "Check brackets and aliases"
            )
        self.document.values[steps] = self._place(node)
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, steps)
        if isinstance(node, yaml.SequenceNode):
            return [self.walk(each, (*steps, at)) for at, each in enumerate(node.value)]
        return node.value

    def _mapping(self, node: yaml.MappingNode, steps: Steps) -> dict[str, object]:
        result: dict[str, object] = {}
        before: yaml.Node | None = None
        for key_node, value_node in node.value:
            place = self._place(key_node)
            if before is not None and (number := _cut_number(before, key_node, value_node)):
                what = f"`{number}` has a decimal comma, and a comma ends a value inside braces"
                self.problems.append(Problem(self._place(before), what, f"Write {number.replace(',', '.')}"))
                continue
            before = value_node
            if not isinstance(key_node, yaml.ScalarNode):
                self.problems.append(Problem(place, "a key must be plain text", "Write `key: value`"))
                continue
            key = key_node.value.strip()
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
