"""MQTT topic filters (MQTT 3.1.1 section 4.7, the same in 5.0)."""

from __future__ import annotations


def matches(filter_: str, topic: str) -> bool:
    """Whether a topic falls under a filter with `+` and `#`.

    >>> matches("lns/+/up", "lns/a/up"), matches("lns/#", "lns"), matches("+/up", "$SYS/up")
    (True, True, False)
    """
    levels, names = filter_.split("/"), topic.split("/")
    if topic.startswith("$") and levels[0] in ("+", "#"):
        return False
    for at, level in enumerate(levels):
        if level == "#":
            return True
        if at >= len(names) or level not in ("+", names[at]):
            return False
    return len(levels) == len(names)


def problem_with(filter_: str) -> str | None:
    """What is wrong with a topic filter, None where nothing is."""
    levels = filter_.split("/")
    if not filter_:
        return "is empty"
    for at, level in enumerate(levels):
        if "#" in level and (level != "#" or at != len(levels) - 1):
            return "has # elsewhere than alone in its last level"
        if "+" in level and level != "+":
            return "has + together with other characters in one level"
    return None
