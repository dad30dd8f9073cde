"""Where pages are to be served, and that they cannot be: what is known of them without all that serves them."""

from __future__ import annotations

from dataclasses import dataclass

from aggregator.core.errors import AggregatorError


class CannotServe(AggregatorError):
    """The pages cannot be served where they should be; the message says what to do."""


@dataclass(frozen=True, slots=True)
class WebSettings:
    """Where pages are served, and to whom. `names` are those that the gateway is called by, beside its addresses."""

    host: str
    port: int
    certificate: str | None = None
    key: str | None = None
    names: tuple[str, ...] = ()
    open_to_look: bool = False
