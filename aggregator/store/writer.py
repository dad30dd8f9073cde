"""The one thread that writes: it takes all that waits, commits it, says so, and takes the next.

    put -> backlog -> [ one transaction -> commit, synced to disk -> done ] -> bite of retention -> ...

There is no timer: while one commit is under way the next gathers, so a slow disk makes commits larger, not the queue
longer. What cannot be written goes back to the head of the queue and is tried again, later each time.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from aggregator.core.keeping import KeptAside, KeptLink, KeptState
from aggregator.store.backlog import Backlog, Done, Parcel, is_uplink
from aggregator.store.connection import Lock, Unfit, is_damage, open_writing, roll_back, salvage, set_aside
from aggregator.store.limits import Limits, StoreError
from aggregator.store.recall import SETTLE_AFTER, SETTLE_AT_LAST, settle, unsettled
from aggregator.store.retention import Retention
from aggregator.store.rows import Newest, Rows, newest

FIRST_RETRY, LAST_RETRY = 0.5, 30.0  # s between attempts while nothing can be written
UNSTORABLE = "cannot be stored"
KEEPS_CONNECTION = {sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY}  # passing troubles that leave a connection sound

Committed = Callable[[Sequence[Done]], None]


class Commit(NamedTuple):
    """One commit: when it ended (monotonic s), how long it took (s), how many uplinks and rows of all kinds it held."""

    ended: float
    took: float
    uplinks: int
    rows: int


class SetAside(NamedTuple):
    """A file that could not be used: its new name, why, and how many states, links too, the fresh one got of it."""

    file: str
    why: str
    states_carried: int


def call_each(dones: Sequence[Done]) -> None:
    """Call them all, also where one fails. Raises the first failure, afterwards."""
    failure: Exception | None = None
    for done in dones:
        try:
            done()
        except Exception as error:  # noqa: BLE001 - the others have a right to know
            failure = failure or error
    if failure is not None:
        raise failure


def is_failure(error: Exception) -> bool:
    """Whether it is the place that takes nothing, rather than one row that cannot be."""
    kinds = (sqlite3.OperationalError, sqlite3.InternalError, OSError, MemoryError, StoreError)
    return isinstance(error, kinds) or type(error) is sqlite3.DatabaseError


def sentence(path: Path, error: Exception) -> str:
    """What is wrong with the place, as a person at the gateway should read it."""
    match getattr(error, "sqlite_errorcode", 0) & 0xFF:
        case sqlite3.SQLITE_FULL:
            return f"{path}: the disk is full. Nothing is stored until there is room"
        case sqlite3.SQLITE_READONLY:
            return f"{path}: the place cannot be written. Nothing is stored until it can"
        case sqlite3.SQLITE_BUSY:
            return f"{path}: another program holds the database locked. Nothing is stored until it lets go"
        case sqlite3.SQLITE_IOERR:
            return f"{path}: the disk reports an error ({error}). Nothing is stored until it works again"
    if isinstance(error, OSError):
        return f"{path}: the place cannot be written ({error.strerror}). Nothing is stored until it can"
    return f"{path}: {error}"


def _bytes_of(thread: int) -> int | None:
    """What a thread of this process has handed to write calls so far; None where the kernel does not count."""
    try:
        lines = Path(f"/proc/self/task/{thread}/io").read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    return next((int(line.split()[1]) for line in lines if line.startswith("wchar:")), None)


class Writer:
    """Owns the connection that writes. `problem` is None while all goes well."""

    def __init__(self, path: Path, limits: Limits, on_committed: Committed) -> None:
        self.backlog = Backlog(limits.most_waiting, limits.hold_back)
        self.problem: str | None = None
        self.notes: deque[str] = deque(maxlen=100)
        self.set_aside: list[SetAside] = []
        self.committed = 0
        self.last_commit: Commit | None = None
        self.tried = threading.Event()  # set once the file was opened, or the first attempt has failed
        self._path = path
        self._limits = limits
        self._on_committed = on_committed
        self._retention = Retention(limits)
        self._lock = Lock(path)
        self._connection: sqlite3.Connection | None = None
        self._rows: Rows | None = None
        self._before: Newest | None = None  # the newest rows of the runs before, None until the file is open
        self._salvaged: list[KeptState | KeptLink] = []  # of a file set aside, not yet written into the fresh one
        self._now: float | None = None  # the time that rows are to age to
        self._aged: float | None = None  # the one they were last told to age to
        self._last_bytes: int | None = None  # once the thread has ended
        self._thread = threading.Thread(target=self._run, name="store writer", daemon=True)
        self._thread.start()

    def let_age(self, now: float) -> None:
        """Drop what is too old at `now` (UTC s), when there is time to."""
        self._now = now
        self.backlog.nudge()

    def bytes_written(self) -> int | None:
        """Bytes the writer has handed to the kernel: log, database and all (proc(5), `wchar` of its thread)."""
        if self._last_bytes is None and self._thread.native_id is not None:
            return _bytes_of(self._thread.native_id)
        return self._last_bytes

    def close(self, within: float) -> None:
        """Write what waits, in so many seconds at most, and leave the file in order."""
        self.backlog.close()
        self._thread.join(within)

    def _run(self) -> None:
        retry = FIRST_RETRY
        while True:
            parcels = self.backlog.take(0 if self._connection is None or self._retention.is_due else None)
            try:
                self._work(parcels)
            except Exception as error:  # noqa: BLE001 - whatever happens, the writer goes on
                self._fail(error, parcels)
                self.tried.set()
                if self.backlog.closing:
                    break
                self.backlog.pause(retry)
                retry = min(2 * retry, LAST_RETRY)
            else:
                self.problem = None
                self.tried.set()
                retry = FIRST_RETRY
                if self.backlog.closing and self.backlog.is_empty:
                    break
        self._finish()

    def _work(self, parcels: list[Parcel]) -> None:
        connection = self._connection or self._open()
        self._write(parcels)
        behind = SETTLE_AFTER if self.backlog.is_empty else SETTLE_AT_LAST
        if self._rows is not None and unsettled(connection) >= behind:
            self._settle(connection, self._rows)
        if self._now is not None and self._now != self._aged:
            self._aged = self._now
            self._retention.let_age(self._aged)
        self._retention.look(connection)
        if self._retention.is_due and not self.backlog.closing:
            self._retention.bite(connection)

    def _open(self) -> sqlite3.Connection:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        self._lock.take()
        try:
            connection = open_writing(self._path)
        except Unfit as error:
            self._set_aside(str(error))
            connection = open_writing(self._path)
        if self._before is None:
            self._before = newest(connection)
        self._connection = connection
        self._rows = Rows(connection, self._limits.most_aside, self._before)
        self._retention.is_due = True
        if self._salvaged:  # before anything newer is written
            self._commit([Parcel(list(self._salvaged), None)])
            self._salvaged = []
        return connection

    def _set_aside(self, why: str) -> None:
        target = set_aside(self._path)
        self._before = None
        self._salvaged = salvage(target) or self._salvaged
        self.set_aside.append(SetAside(target.name, why, len(self._salvaged)))
        carried = f"; states carried over: {len(self._salvaged)}" if self._salvaged else ""
        self.notes.append(f"{self._path} {why}. It was set aside as {target.name}, and a fresh file begun{carried}")

    def _write(self, parcels: list[Parcel]) -> None:
        """Commit parcels from the front of the list and take them off it; one that no row can hold is set aside."""
        size = len(parcels)
        while parcels:
            part = parcels[:size]
            try:
                self._commit(part)
            except Exception as error:
                if is_failure(error):
                    raise
                if len(part) == 1:
                    self._replace(part[0], error)
                size = max(1, len(part) // 2)
                continue
            del parcels[: len(part)]
            self._tell(part)
            size *= 2
        self.backlog.written()

    def _commit(self, parcels: list[Parcel]) -> None:
        connection, rows = self._connection, self._rows
        assert connection is not None
        assert rows is not None
        orders = [order for parcel in parcels for order in parcel.orders]
        if not orders:
            return
        began = time.monotonic()
        try:
            connection.execute("BEGIN IMMEDIATE")
            rows.put(orders)
            connection.execute("COMMIT")
        except Exception:
            roll_back(connection)
            rows.ids.forget()
            raise
        self.problem = None
        ended = time.monotonic()
        uplinks = sum(map(is_uplink, orders))
        self.committed += uplinks
        self.last_commit = Commit(ended, ended - began, uplinks, len(orders))

    def _replace(self, parcel: Parcel, error: Exception) -> None:
        """Keep what no row can hold as text among the messages set aside, so that it blocks nothing and is not lost."""
        detail = f"{type(error).__name__}: {error}"
        if [getattr(order, "reason", None) for order in parcel.orders] == [UNSTORABLE]:
            self.notes.append(f"a row that {UNSTORABLE} could not be set aside either, and is lost ({detail})")
            parcel.orders, parcel.done = [], None
            return
        self.notes.append(f"one of {len(parcel.orders)} rows {UNSTORABLE} ({detail}) and was set aside")
        message = repr(parcel.orders).encode(errors="backslashreplace")
        parcel.orders = [KeptAside(time.time(), UNSTORABLE, detail, "", None, message)]

    def _tell(self, parcels: list[Parcel]) -> None:
        dones = [parcel.done for parcel in parcels if parcel.done is not None]
        if dones:
            try:
                self._on_committed(dones)
            except Exception as error:  # noqa: BLE001 - not the store's, and no reason to write the rows again
                self.notes.append(f"whoever waited for a commit failed: {type(error).__name__}: {error}")

    def _settle(self, connection: sqlite3.Connection, rows: Rows) -> None:
        try:
            connection.execute("BEGIN IMMEDIATE")
            settle(connection, rows.ids)
            connection.execute("COMMIT")
        except Exception:
            roll_back(connection)
            rows.ids.forget()
            raise

    def _fail(self, error: Exception, parcels: list[Parcel]) -> None:
        self.problem = sentence(self._path, error)
        self.backlog.put_back(parcels)
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in KEEPS_CONNECTION:
            return
        self._disconnect()
        if is_damage(error):
            try:
                self._set_aside(f"is damaged ({error})")
            except OSError as failure:
                self.problem = sentence(self._path, failure)

    def _disconnect(self) -> None:
        if self._connection is not None:
            with contextlib.suppress(sqlite3.Error):
                self._connection.close()
        self._connection = self._rows = None

    def _finish(self) -> None:
        """Leave one tidy file: its log emptied into it, and nothing for the next start to catch up with."""
        connection, rows = self._connection, self._rows
        if connection is not None and rows is not None:
            with contextlib.suppress(sqlite3.Error):
                self._settle(connection, rows)
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self._disconnect()
        self._lock.give_back()
        self._last_bytes = _bytes_of(threading.get_native_id())
