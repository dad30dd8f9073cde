"""What the commands of the control socket take out of a request, each with the sentence that refuses it."""

from __future__ import annotations

import math
from typing import TypeGuard

from aggregator.control import Refused, Request

LONGEST_NAME = 64  # characters of who asks
MOST_NAMES = 100  # names in one list
LONGEST_REASON = 200  # characters of why something was done


def is_number(value: object) -> TypeGuard[float]:
    """Whether something is a finite number."""
    return isinstance(value, int | float) and not isinstance(value, bool) and -math.inf < value < math.inf


def text_of(request: Request, key: str, longest: int = LONGEST_NAME) -> str:
    """A text that must not be empty. Raises Refused."""
    text = request.get(key)
    if not isinstance(text, str) or not text.strip() or len(text) > longest or not text.isprintable():
        raise Refused(f"`{key}` is a text of up to {longest} characters.")
    return text


def texts_of(request: Request, key: str) -> list[str] | None:
    """A list of texts, None where the request has none. Raises Refused."""
    texts = request.get(key)
    if texts is None:
        return None
    if not isinstance(texts, list) or len(texts) > MOST_NAMES or not all(isinstance(each, str) for each in texts):
        raise Refused(f"`{key}` is a list of up to {MOST_NAMES} texts.")
    return texts


def count_of(request: Request, key: str, most: int) -> int:
    """A whole number from 1 on, `most` where the request has none or a larger one. Raises Refused."""
    count = request.get(key, most)
    if type(count) is not int or count < 1:
        raise Refused(f"`{key}` is a whole number, at least 1.")
    return min(count, most)


def who_asks(request: Request) -> str:
    """The name of whoever asks. Raises Refused."""
    try:
        return text_of(request, "who")
    except Refused:
        raise Refused(f"`who` is the name of whoever asks, up to {LONGEST_NAME} characters.") from None


def is_flag(request: Request, key: str) -> bool:
    """Whether something is asked for that is left out otherwise. Raises Refused."""
    flag = request.get(key, False)
    if not isinstance(flag, bool):
        raise Refused(f"`{key}` is true or false.")
    return flag


def why_of(request: Request) -> str:
    """Why something is done, empty where nobody says. Raises Refused."""
    return text_of(request, "why", LONGEST_REASON) if request.get("why") else ""


def is_on(request: Request) -> bool:
    """Whether something is to be on or off. Raises Refused."""
    on = request.get("on")
    if not isinstance(on, bool):
        raise Refused("`on` is true or false.")
    return on
