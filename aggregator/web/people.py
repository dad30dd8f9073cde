"""Who may use the pages: names, roles, passwords and keys, in one file of the data folder.

    people.json   {"marta": {"role": "engineer", "password": "$argon2id$...", "keys": ["<sha-256>"]}}

Passwords are kept as Argon2id hashes (RFC 9106), with the lowest cost that OWASP's Password Storage Cheat Sheet names
(from memory: 19 MiB, two passes, one lane): gateways have little memory. A key is for programs: 256 random bits, so
that a plain SHA-256 of it is enough to know it by. The file is read anew when it has changed, so that the command line
can write it while the service runs; each writer holds the lock beside it.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from aggregator.core.errors import AggregatorError
from aggregator.web.owned import write_owned

FILE = "people.json"
SHORTEST = 8  # characters of a password (NIST SP 800-63B section 5.1.1.2, from memory)
LONGEST = 128
LONGEST_NAME = 40
MOST_KEYS = 8  # of one person
HASHER = PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1)


class Role(IntEnum):
    """What somebody may do; each may do what those before it may."""

    LOOK = 1
    OPERATE = 2  # acknowledge, reset, shelve, silence, hold a meter in test
    ENGINEER = 3  # link, swap, substitute, set points, take files anew

    @property
    def words(self) -> str:
        """The role as people read and write it."""
        return self.name.lower()


class WrongPerson(AggregatorError):
    """Something about a person cannot be taken; the message says what."""


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may sign in. `stamp` changes with the password: visits from before it end."""

    name: str
    role: Role
    password: str
    keys: tuple[str, ...] = ()

    @property
    def stamp(self) -> str:
        return hashlib.sha256(self.password.encode()).hexdigest()[:16]


class People:
    """The people of one data folder."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE
        self._read: tuple[int, int, int] | None = None  # what told the file's state when it was read
        self._people: dict[str, Person] = {}
        self._by_key: dict[str, Person] = {}

    def all(self) -> dict[str, Person]:
        """Everybody, by name."""
        self._refresh()
        return self._people

    def find(self, name: str) -> Person | None:
        """Who has this name."""
        return self.all().get(name)

    def by_key(self, key: str) -> Person | None:
        """Whose key this is."""
        self._refresh()
        return self._by_key.get(digest_of(key))

    def add(self, name: str, role: Role, password: str) -> None:
        """Add somebody. Raises WrongPerson."""
        if not name.strip() or len(name) > LONGEST_NAME or not name.isprintable() or name != name.strip():
            raise WrongPerson(f"a name has 1 to {LONGEST_NAME} characters that can be printed, and no blanks around.")
        hashed = hash_of(password)
        with self._changing() as people:
            if name in people:
                raise WrongPerson(f"there is a {name} already.")
            people[name] = Person(name, role, hashed)

    def set_password(self, name: str, password: str) -> None:
        """Give somebody another password. Raises WrongPerson."""
        hashed = hash_of(password)
        with self._changing() as people:
            old = _known(people, name)
            people[name] = Person(name, old.role, hashed, old.keys)

    def set_role(self, name: str, role: Role) -> None:
        """Give somebody another role. Raises WrongPerson."""
        with self._changing() as people:
            old = _known(people, name)
            if role < Role.ENGINEER:
                _must_leave_an_engineer(people, name)
            people[name] = Person(name, role, old.password, old.keys)

    def remove(self, name: str) -> None:
        """Let somebody in no more. Raises WrongPerson."""
        with self._changing() as people:
            _known(people, name)
            _must_leave_an_engineer(people, name)
            del people[name]

    def add_key(self, name: str) -> str:
        """Make a key for a program that acts as this person. It is told once, here. Raises WrongPerson."""
        key = secrets.token_urlsafe(32)
        with self._changing() as people:
            old = _known(people, name)
            if len(old.keys) >= MOST_KEYS:
                raise WrongPerson(f"{name} has {MOST_KEYS} keys; take them back first.")
            people[name] = Person(name, old.role, old.password, (*old.keys, digest_of(key)))
        return key

    def drop_keys(self, name: str) -> int:
        """Take all keys of a person back; how many there were. Raises WrongPerson."""
        with self._changing() as people:
            old = _known(people, name)
            people[name] = Person(name, old.role, old.password)
        return len(old.keys)

    def _refresh(self) -> None:
        try:
            about = self._path.stat()
        except OSError:
            state = None
        else:
            state = (about.st_mtime_ns, about.st_size, about.st_ino)
        if state != self._read:
            self._people = self._load() if state else {}
            self._by_key = {key: person for person in self._people.values() for key in person.keys}
            self._read = state

    def _load(self) -> dict[str, Person]:
        """The file's people. Raises WrongPerson where it is no such file: nobody gets in by a broken one."""
        try:
            kept = json.loads(self._path.read_text(encoding="utf-8"))
            return {
                name: Person(name, Role[each["role"].upper()], each["password"], tuple(each.get("keys", ())))
                for name, each in kept.items()
            }
        except FileNotFoundError:
            return {}
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise WrongPerson(f"{self._path} cannot be read: {error}. Put it right, or move it away.") from error

    @contextlib.contextmanager
    def _changing(self) -> Iterator[dict[str, Person]]:
        """The people, to be changed: what is there at the end is written, whole or not at all."""
        self._path.parent.mkdir(parents=True, exist_ok=True)
        with self._path.with_suffix(".lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            people = self._load()
            yield people
            write_owned(self._path, json.dumps({each.name: _kept(each) for each in people.values()}, indent=1))


def hash_of(password: str) -> str:
    """What is kept of a password. Takes some 30 ms by design. Raises WrongPerson."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise WrongPerson(f"a password has {SHORTEST} to {LONGEST} characters.")
    return HASHER.hash(password)


def is_password(person: Person | None, password: str) -> bool:
    """Whether this is the person's password. Takes as long for somebody who does not exist."""
    given = password[: LONGEST + 1]
    if person is None:
        HASHER.hash(given)
        return False
    try:
        return HASHER.verify(person.password, given)
    except (VerificationError, InvalidHashError):
        return False


def digest_of(key: str) -> str:
    """What is kept of 256 random bits, a key or a cookie, to know them by."""
    return hashlib.sha256(key.encode()).hexdigest()


def _known(people: dict[str, Person], name: str) -> Person:
    person = people.get(name)
    if person is None:
        raise WrongPerson(f"there is nobody called {name}; there is {', '.join(people) or 'nobody yet'}.")
    return person


def _must_leave_an_engineer(people: dict[str, Person], name: str) -> None:
    """Raise WrongPerson where only this one may do all: nobody could link, set or let in anybody by the pages."""
    engineers = [each.name for each in people.values() if each.role is Role.ENGINEER]
    if engineers == [name]:
        raise WrongPerson(
            f"{name} is the only engineer. Make somebody else one first: `aggregator people --of NAME --role "
            "engineer`, or with --add for somebody new."
        )


def _kept(person: Person) -> dict[str, object]:
    return {"role": person.role.words, "password": person.password, "keys": list(person.keys)}
