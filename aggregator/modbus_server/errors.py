"""Why a listener cannot be opened."""

from __future__ import annotations

from aggregator.core.errors import AggregatorError


class CannotListen(AggregatorError):
    """The address cannot be listened on; the message says why and what to do."""


class UnusableTls(CannotListen):
    """A TLS file of a listener cannot be used; the message names it."""
