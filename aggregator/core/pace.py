"""How fast one host may ask: so many requests a second, with a second's worth at once after a pause."""

from __future__ import annotations

AT_ONCE = 1.0  # s of its requests that a host may have saved up


class Pace:
    """One host's requests against its rate. Times are seconds of any steady clock."""

    def __init__(self, rate: float) -> None:
        self.rate = rate
        self._paid_until = 0.0

    def wait_after(self, requests: int, at: float) -> float:
        """Take requests that were just answered; how many seconds its next ones have to wait."""
        self._paid_until = max(self._paid_until, at - AT_ONCE) + requests / self.rate
        return max(0.0, self._paid_until - at)
