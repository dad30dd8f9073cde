"""The door: signing in, how often it may be tried, and the code that lets the very first person in."""

from __future__ import annotations

import asyncio
import hmac
import secrets
from collections import OrderedDict
from collections.abc import Callable

from aggregator.web.people import People, Person, Role, WrongPerson, is_password

LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"  # none that is mistaken for another
CODE_LENGTH = 8  # of 31 letters: some 40 bits, with few tries
FREE_TRIES = 5  # wrong ones of a host or for a name before each next one has to wait
FIRST_WAIT, LONGEST_WAIT = 2.0, 900.0  # s
LONGEST_FOR_A_NAME = 30.0  # s: whoever tries a name all day long must not lock out who bears it
MOST_REMEMBERED = 2000


class TooOften(WrongPerson):
    """Too many wrong tries; `wait` is for how many seconds."""

    def __init__(self, wait: float) -> None:
        super().__init__(f"too many wrong tries. Try again in {wait:.0f} s.")
        self.wait = wait


class Throttle:
    """How often something may be tried: after some wrong tries each next one waits twice as long."""

    def __init__(self, time: Callable[[], float], longest: float = LONGEST_WAIT) -> None:
        self._time = time
        self._longest = longest
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()  # wrong tries, and when the next is due

    def check(self, who: str) -> None:
        """Raise TooOften where this one has to wait."""
        wait = self._wrong.get(who, (0, 0.0))[1] - self._time()
        if wait > 0:
            raise TooOften(max(1.0, wait))

    def failed(self, who: str) -> None:
        """Count a wrong try."""
        wrong = self._wrong.pop(who, (0, 0.0))[0] + 1
        wait = 0.0 if wrong < FREE_TRIES else min(self._longest, FIRST_WAIT * 2.0 ** min(20, wrong - FREE_TRIES))
        self._wrong[who] = wrong, self._time() + wait
        while len(self._wrong) > MOST_REMEMBERED:
            self._wrong.popitem(last=False)

    def passed(self, who: str) -> None:
        """Forget the wrong tries."""
        self._wrong.pop(who, None)


class Door:
    """Lets people in. `time` is a steady clock (s)."""

    def __init__(self, people: People, time: Callable[[], float]) -> None:
        self.people = people
        self._hosts, self._names = Throttle(time), Throttle(time, LONGEST_FOR_A_NAME)
        self._checking = asyncio.Semaphore(1)  # a hash takes memory, by design
        self._code = new_code()

    def first_code(self) -> str | None:
        """The code for the first person, while there is nobody."""
        return None if self.people.all() else self._code

    async def sign_in(self, name: str, password: str, host: str) -> Person:
        """Who this is. Raises WrongPerson, and never says whether it was the name or the password."""
        self._hosts.check(host)
        self._names.check(name)
        person = self.people.find(name)
        async with self._checking:
            right = await asyncio.to_thread(is_password, person, password)
        if person is None or not right:
            self._hosts.failed(host)
            self._names.failed(name)
            raise WrongPerson("name or password is wrong.")
        self._hosts.passed(host)
        self._names.passed(name)
        return person

    async def first(self, code: str, name: str, password: str, host: str) -> Person:
        """Set up the first person, an engineer. Raises WrongPerson."""
        self._hosts.check(host)
        if self.people.all():
            raise WrongPerson("somebody has been set up already. Sign in, or ask them.")
        given = "".join(each for each in code.upper() if each in LETTERS)
        if not hmac.compare_digest(given, self._code.replace("-", "")):
            self._hosts.failed(host)
            raise WrongPerson("that is not the code. It stands in the service's log, and changes at each start.")
        async with self._checking:
            await asyncio.to_thread(self.people.add, name, Role.ENGINEER, password)
        self._code = new_code()
        person = self.people.find(name)
        assert person is not None
        return person


def new_code() -> str:
    """A code that can be read to somebody: `K7QF-3MZP`."""
    letters = "".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH))
    return f"{letters[: CODE_LENGTH // 2]}-{letters[CODE_LENGTH // 2 :]}"
