"""Visits: who has signed in, from which browser, and until when.

    visits.json   {"<sha-256 of the cookie>": {"name": "marta", "stamp": "...", "token": "...", "seen": 1764060000}}

A visit outlives a restart of the service, so that the screen on the wall goes on. What stands in the file signs nobody
in: the cookie itself is in the browser only. A visit ends when its person is removed, gets another password or signs
out, and by itself when nobody has used it for a while: sooner for those who may do more.
"""

from __future__ import annotations

import contextlib
import json
import secrets
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path

from aggregator.web.owned import write_owned
from aggregator.web.people import People, Person, Role, digest_of

FILE = "visits.json"
MOST = 500  # beyond that the one that was used longest ago goes
LASTS = {Role.LOOK: 90 * 86400.0, Role.OPERATE: 12 * 3600.0, Role.ENGINEER: 12 * 3600.0}  # s without a request
WRITE_EVERY = 600.0  # s between writes of nothing but when a visit was last used: gateways live on flash


@dataclass(slots=True)
class Visit:
    """One browser that somebody has signed in with. `token` goes with everything it asks to be done."""

    name: str
    stamp: str
    token: str
    seen: float  # UTC s


class Visits:
    """All visits of one service. `utc` tells the time (s since 1970)."""

    def __init__(self, folder: Path, people: People, utc: Callable[[], float]) -> None:
        self._path = folder / FILE
        self._people = people
        self._utc = utc
        self._visits = self._load()
        self._written = utc()

    def begin(self, person: Person) -> str:
        """Let somebody in, who has shown that it is them. Returns the cookie's value."""
        cookie = secrets.token_urlsafe(32)
        self._visits[digest_of(cookie)] = Visit(person.name, person.stamp, secrets.token_urlsafe(24), self._utc())
        while len(self._visits) > MOST:
            del self._visits[min(self._visits, key=lambda each: self._visits[each].seen)]
        self._write()
        return cookie

    def find(self, cookie: str) -> tuple[Visit, Person] | None:
        """The visit that a cookie stands for, and who it is; None where it has ended."""
        digest = digest_of(cookie)
        visit = self._visits.get(digest)
        if visit is None:
            return None
        person, now = self._people.find(visit.name), self._utc()
        if person is None or person.stamp != visit.stamp or now - visit.seen > LASTS[person.role]:
            del self._visits[digest]
            self._write()
            return None
        visit.seen = now
        if now - self._written > WRITE_EVERY:
            self._write()
        return visit, person

    def all(self) -> Collection[Visit]:
        """Every visit that has not been found to have ended."""
        return self._visits.values()

    def end(self, cookie: str) -> None:
        """Sign out."""
        if self._visits.pop(digest_of(cookie), None):
            self._write()

    def _load(self) -> dict[str, Visit]:
        with contextlib.suppress(OSError, ValueError, TypeError, AttributeError):  # then everybody signs in once more
            kept = json.loads(self._path.read_text(encoding="utf-8"))
            return {digest: Visit(**each) for digest, each in kept.items()}
        return {}

    def _write(self) -> None:
        """Keep the visits. A disk that takes nothing costs their outliving a restart, and no more."""
        self._written = self._utc()
        kept = {
            digest: {"name": each.name, "stamp": each.stamp, "token": each.token, "seen": each.seen}
            for digest, each in self._visits.items()
        }
        with contextlib.suppress(OSError):
            write_owned(self._path, json.dumps(kept))
