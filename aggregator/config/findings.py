"""What is found wrong while a site is put together, all of it, and the phrases that say so."""

from __future__ import annotations

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


def time_words(seconds: float) -> str:
    """Seconds as a person writes them: `15 min`."""
    for unit, size in (("d", 86400), ("h", 3600), ("min", 60)):
        if seconds >= size and seconds % size == 0:
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"
