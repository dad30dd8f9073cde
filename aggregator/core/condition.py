"""Whether an alarm's condition stands: what readings prove, filtered by its delays.

    condition gone     BEYOND --> waiting to begin --(on-delay lasted, enough readings in a row)--> stands
                       anything proven otherwise ends the waiting; UNKNOWN does not: what was last seen was beyond
    condition stands   BACK   --> waiting to end   --(off-delay lasted, enough good readings in a row)--> gone
                       BEYOND, BETWEEN and UNKNOWN all end the waiting: normal must be proven throughout

Delays run on the monotonic clock from the reading that began the waiting, and end by themselves: the reading's node may
be silent for minutes. They outlive a restart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from aggregator.core.alarm import Delay, Proof
from aggregator.core.reading import Now


@dataclass(slots=True)
class Condition:
    """One alarm's condition. `waits_since` is the monotonic second of the reading that began the waiting, if any."""

    on: Delay
    off: Delay
    stands: bool = False
    waits_since: float | None = None
    samples: int = 0

    def take(self, proof: Proof, since: float) -> None:
        """Take what one reading, measured at the monotonic second `since`, proves. `settle` draws the conclusion."""
        if proof is (Proof.BACK if self.stands else Proof.BEYOND):
            if self.waits_since is None:
                self.samples = 0
            self.waits_since = since if self.waits_since is None else min(self.waits_since, since)
            self.samples += 1
        elif self.stands or proof is not Proof.UNKNOWN:
            self.waits_since, self.samples = None, 0

    def due(self) -> float:
        """The monotonic second at which the condition changes if nothing else comes, infinite where it does not."""
        delay = self.off if self.stands else self.on
        if self.waits_since is None or self.samples < delay.samples:
            return math.inf
        return self.waits_since + delay.seconds

    def settle(self, monotonic: float) -> bool:
        """Let the condition change if its delay is over. Returns whether it did."""
        if self.due() > monotonic:
            return False
        self.stands = not self.stands
        self.waits_since, self.samples = None, 0
        return True

    def kept(self, now: Now) -> dict[str, object]:
        """What must outlive a restart, as JSON values; instants as UTC seconds."""
        if self.waits_since is None:
            return {"stands": self.stands}
        at = now.utc - (now.monotonic - self.waits_since)
        to_come = self.waits_since > now.monotonic
        return {"stands": self.stands, "waits_since": at, "samples": self.samples, "to_come": to_come}

    def restore(self, kept: Mapping[str, object], now: Now) -> None:
        """Go on from before a restart.

        A waiting that this clock says is still to begin has begun just now, unless it was to come when it was kept: a
        clock that has been set back must hold up no alarm.
        """
        self.stands = kept.get("stands") is True
        at, samples = kept.get("waits_since"), kept.get("samples")
        if isinstance(at, int | float) and isinstance(samples, int):
            ago = now.utc - at
            self.waits_since = now.monotonic - (ago if kept.get("to_come") is True else max(0.0, ago))
            self.samples = samples
