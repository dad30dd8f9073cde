"""The certificate files of the gateway: when each ends, said in time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from aggregator.config.files import SiteKeys
from aggregator.core.certificate import Certificate, CertificateProblem
from aggregator.core.gateway import days_until
from aggregator.core.reading import Now

SOON = 30  # days before its end that a certificate is warned of
DAILY = 86400.0  # s between two warnings of one


@dataclass(frozen=True, slots=True)
class Use:
    """A PEM file and what it is for. Of several authorities in one file the last to end counts: they take turns."""

    what: str
    path: str
    is_authority: bool = False

    def ends(self) -> float | None:
        """When it is of no more use (UTC s); None where that cannot be read, which its user says at length."""
        try:
            ends = [each.ends for each in Certificate.all_in(Path(self.path).read_bytes())]
        except (OSError, CertificateProblem):
            return None
        return max(ends) if self.is_authority else min(ends)


def uses_of(keys: SiteKeys) -> Iterator[Use]:
    """The certificate files that a site uses, of its listeners, its pages and towards its broker."""
    for each in keys.listeners:
        if each.tls and each.tcp:
            at = f"listener {each.tcp[0]}:{each.tcp[1]}"
            yield Use(at, each.tls.certificate)
            yield Use(f"clients of {at}", each.tls.client_ca, is_authority=True)
    if keys.web and keys.web.tls:
        yield Use("pages", keys.web.tls.certificate)
    broker = keys.broker.tls
    if broker and broker.certificate:
        yield Use("towards the broker", broker.certificate)
    if broker and broker.ca:
        yield Use("the broker's authority", broker.ca, is_authority=True)


class Certificates:
    """Every certificate file in use, and when it ends."""

    def __init__(self, uses: Iterable[Use]) -> None:
        self._uses = tuple(dict.fromkeys(uses))
        self._ends: dict[Use, float] = {}
        self._warned = -DAILY  # monotonic
        self.read()

    @classmethod
    def of(cls, keys: SiteKeys) -> Certificates:
        """Those of a site."""
        return cls(uses_of(keys))

    def read(self) -> None:
        """Look into the files anew. One that cannot be read counts as it was: the old certificate is in use still."""
        for use in self._uses:
            ends = use.ends()
            if ends is not None:
                self._ends[use] = ends
        self._warned = -DAILY

    @property
    def first_ends(self) -> float | None:
        """When the first one ends (UTC s); None where there is none."""
        return min(self._ends.values(), default=None)

    def due(self, now: Now) -> Iterator[tuple[str, Mapping[str, object]]]:
        """What is to be said of them now: once a day, which end soon or have ended."""
        if now.monotonic - self._warned < DAILY:
            return
        self._warned = now.monotonic
        for use, ends in self._ends.items():
            about = {"file": use.path, "of": use.what}
            if ends <= now.utc:
                yield "certificate has ended", about
            elif is_soon(ends, now):
                yield "certificate ends soon", {**about, "days": days_until(ends, now)}

    def told(self, now: Now) -> Sequence[dict[str, object]]:
        """Each of them, for whoever asks; `ends` is UTC s."""
        return [
            {"of": use.what, "file": use.path, "ends": ends, "days": days_until(ends, now), "soon": is_soon(ends, now)}
            for use, ends in self._ends.items()
        ]


def is_soon(ends: float, now: Now) -> bool:
    """Whether something that ends then (UTC s) is to be warned of."""
    return ends - now.utc < SOON * DAILY
