"""What a name that nobody knows was probably meant to be."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


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


def no_meter(tag: object, tags: Iterable[str]) -> str:
    """The sentence for a tag that no meter of a site has."""
    return f"there is no meter {tag}. {near(str(tag), tags, 'There are')}."
