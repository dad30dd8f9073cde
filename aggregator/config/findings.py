"""What is found wrong while a site is put together, all of it, and the phrases that say so."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from aggregator.config.document import Document, Steps
from aggregator.config.scalars import Wrong
from aggregator.core.errors import Place, Problem

SMALLEST_SCALE = 1e-12


class Findings:
    """Collects problems. Building goes on after each, so that one run shows all there is to mend."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def wrong(self, place: Place, what: str, cure: str) -> None:
        """Note a problem."""
        self.problems.append(Problem(place, what, cure))

    def take(self, wrong: Wrong, file: Document, *steps: str | int) -> None:
        """Note a value that could not be converted, under the name of its key."""
        self.wrong(file.place(*steps), f"`{steps[-1]}`: {wrong.what}", wrong.cure)

    def no_zero_scale(self, scale: float | None, file: Document, steps: Steps) -> None:
        """A scale of 0 turns every value into the same one, and one next to 0 into more than any register holds."""
        if scale is not None and abs(scale) < SMALLEST_SCALE:
            self.wrong(file.place(*steps, "scale"), f"a scale of {scale:g} loses every value", "Write another scale")


def close_to(word: str, known: Iterable[str]) -> str | None:
    """The known name that a word is a likely slip for, upper and lower case being alike; None where none is."""
    lower = {name.lower(): name for name in known}
    found = difflib.get_close_matches(word.lower(), lower, n=1, cutoff=0.6)
    return lower[found[0]] if found else None


def near(word: str, known: Iterable[str], words: str, show: int = 24) -> str:
    """The cure for a name that is not known: the near one where there is one, else what there is."""
    names = list(known)
    meant = close_to(word, names)
    if meant is not None:
        return f"Write `{meant}`, if that is what was meant"
    listed = ", ".join(names[:show]) + (", ..." if len(names) > show else "")
    return f"{words} {listed}" if listed else "There are none"


def time_words(seconds: float) -> str:
    """Seconds as a person writes them: `15 min`."""
    for unit, size in (("d", 86400), ("h", 3600), ("min", 60)):
        if seconds >= size and seconds % size == 0:
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"
