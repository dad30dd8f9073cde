"""Connections to the database file, and whether that file is one of ours.

A file that is none, is damaged or comes from a newer version is moved aside, whole, under its name with the time, and a
fresh one begun: registers must be served whatever the disk holds, and nothing that might be mended is thrown away.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import sqlite3
import urllib.parse
from datetime import UTC, datetime
from pathlib import Path

from aggregator.core.keeping import KeptLink, KeptState
from aggregator.store.limits import StoreError
from aggregator.store.recall import LINKS, recall
from aggregator.store.rows import link_of

MIN_SQLITE = (3, 24, 0)  # the first with ON CONFLICT ... DO
APPLICATION = 1095190356  # as set by migrations/0001.sql
MIGRATIONS = Path(__file__).with_name("migrations")

# Bytes handed to the kernel for an uplink of five readings that is its own commit (50 meters in turn, synchronous=FULL,
# SQLite 3.40): 3030 with pages of 512, 3950 with 1024, 6200 with 2048, 11070 with 4096. The file itself grows by 156,
# 155, 146 and 144. Below 1024 the gain is small and long messages set aside need a chain of pages.
PAGE_SIZE = 1024
CHECKPOINT_PAGES = 2000  # 3740 bytes an uplink instead of 3950 with 1000, for a log of 2 MB instead of 1 MB
LARGEST_LOG = 4 * PAGE_SIZE * CHECKPOINT_PAGES  # bytes; a log that a long reader let grow is cut back to it
BUSY = 5.0  # s to wait for another program that holds the database locked
SIDES = ("", "-wal", "-shm")


class Unfit(StoreError):
    """The file cannot be written on as it is; the message says what it is."""


class Lock:
    """That one store writes a file. It has a file of its own: opening the database's would undo SQLite's locks."""

    def __init__(self, path: Path) -> None:
        self._path = path.with_name(path.name + "-lock")
        self._handle: int | None = None

    def take(self) -> None:
        """Take it, or keep it. Raises StoreError where another has it, OSError where the place cannot be written."""
        if self._handle is not None:
            return
        handle = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            os.close(handle)
            raise StoreError(
                "another store is writing this file. Stop the other service, or give this one a file of its own"
            ) from error
        except OSError:
            os.close(handle)
            raise
        self._handle = handle

    def give_back(self) -> None:
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


def migrations(folder: Path) -> dict[int, str]:
    """The numbered SQL files, by number, each the step from the version before."""
    return {int(path.stem): path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.sql"))}


def latest(folder: Path) -> int:
    """The version that the newest SQL file leads to."""
    return max(int(path.stem) for path in folder.glob("*.sql"))


def connect(path: Path, mode: str, *, immutable: bool = False) -> sqlite3.Connection:
    """A connection that begins and ends its transactions by hand. Raises sqlite3.Error."""
    wanted = f"file:{urllib.parse.quote(str(path.absolute()))}?mode={mode}" + "&immutable=1" * immutable
    return sqlite3.connect(wanted, timeout=BUSY, isolation_level=None, check_same_thread=False, uri=True)


def open_writing(path: Path, folder: Path = MIGRATIONS) -> sqlite3.Connection:
    """The connection that writes, with the file brought up to date. Raises StoreError, Unfit, sqlite3.Error."""
    if sqlite3.sqlite_version_info < MIN_SQLITE:
        wanted = ".".join(map(str, MIN_SQLITE))
        raise StoreError(
            f"SQLite {sqlite3.sqlite_version} is too old to keep a history; {wanted} or newer is needed. "
            "Install a Python that comes with it"
        )
    if path.is_dir():
        raise StoreError("a folder has this name. Name a file, or move the folder away")
    connection = connect(path, "rwc")
    try:
        version = _version(connection, latest(folder))
        _prepare(connection, fresh=version == 0)
        _migrate(connection, version, migrations(folder))
        _look_over(connection)
    except Exception as error:
        connection.close()
        if is_damage(error):
            raise Unfit(f"is damaged ({error})") from error
        raise
    return connection


def _look_over(connection: sqlite3.Connection) -> None:
    """Read what a start needs: damage shows in what is read. All of a large file would take too long."""
    try:
        recall(connection)
    except (ValueError, TypeError, KeyError) as error:
        raise Unfit(f"is damaged ({error!r})") from error


def open_reading(path: Path, folder: Path = MIGRATIONS) -> sqlite3.Connection | None:
    """A connection that only reads, None where nothing was ever stored. Raises StoreError."""
    if not path.exists():
        return None
    connection = None
    try:
        connection = _connect_reading(path)
        version = _version(connection, latest(folder))
    except (sqlite3.Error, Unfit) as error:
        if connection is not None:
            connection.close()
        why = f"it {error}" if isinstance(error, Unfit) else str(error)
        raise StoreError(f"{path} cannot be read: {why}") from error
    if version == latest(folder):
        return connection
    connection.close()
    if version == 0:
        return None
    raise StoreError(f"{path} cannot be read yet: it is of version {version} and could not be brought up to date")


def _connect_reading(path: Path) -> sqlite3.Connection:
    """Without its log and index files, a database in a place that cannot be written opens only as immutable."""
    connection = connect(path, "ro")
    try:
        connection.execute("PRAGMA user_version").fetchone()
    except sqlite3.OperationalError:
        connection.close()
        log = path.with_name(path.name + "-wal")
        if log.exists() and log.stat().st_size:
            raise
        return connect(path, "ro", immutable=True)
    return connection


def _version(connection: sqlite3.Connection, newest: int) -> int:
    """The version of the file's tables, 0 for an empty file. Raises Unfit, sqlite3.DatabaseError."""
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if application != APPLICATION and (tables or version or application):
        raise Unfit("is not one of this program's")
    if version > newest:
        raise Unfit(f"is of version {version}, written by a newer version of this program; this one knows {newest}")
    return version


def _prepare(connection: sqlite3.Connection, *, fresh: bool) -> None:
    if fresh:  # both have to stand before the first table
        connection.execute(f"PRAGMA page_size = {PAGE_SIZE}")
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise StoreError(
            f"no write-ahead log can be kept here (journal mode {mode}). Put the file on a local disk, no network share"
        )
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA secure_delete = OFF")  # overwriting what is deleted would wear the flash for nothing
    connection.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
    connection.execute(f"PRAGMA journal_size_limit = {LARGEST_LOG}")


def _migrate(connection: sqlite3.Connection, version: int, steps: dict[int, str]) -> None:
    """Run the steps that the file has not seen, each in one transaction; with none, see that it can be written."""
    for number, step in steps.items():
        if number > version:
            try:
                connection.executescript(f"BEGIN IMMEDIATE;\n{step}\n;PRAGMA user_version = {number};\nCOMMIT;")
            except sqlite3.Error:
                roll_back(connection)
                raise
    connection.execute("BEGIN IMMEDIATE")
    connection.execute("ROLLBACK")


def roll_back(connection: sqlite3.Connection) -> None:
    """Leave a transaction that failed; SQLite may have left it already."""
    with contextlib.suppress(sqlite3.Error):
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def is_damage(error: BaseException) -> bool:
    """Whether an error says that the file itself is spoilt, so that trying again is of no use."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return code in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def set_aside(path: Path) -> Path:
    """Rename a file that cannot be used, with its log and index, so that a fresh one can be begun. Raises OSError."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    target = path.with_name(f"{path.stem}-set-aside-{stamp}{path.suffix}")
    for attempt in range(2, 1000):
        if not target.exists():
            break
        target = path.with_name(f"{path.stem}-set-aside-{stamp}-{attempt}{path.suffix}")
    for side in reversed(SIDES):  # the database last: until it has gone, its log still belongs to it
        with contextlib.suppress(FileNotFoundError):
            path.with_name(path.name + side).rename(target.with_name(target.name + side))
    return target


def salvage(path: Path) -> list[KeptState | KeptLink]:
    """The states and links that can still be read of a damaged file: they matter more than what is lost with it."""
    found: list[KeptState | KeptLink] = []
    for rows, kept_of in (("SELECT tag, name, value FROM state", _state_of), (LINKS, link_of)):
        with contextlib.suppress(sqlite3.Error, ValueError, TypeError):
            connection = connect(path, "ro")
            with contextlib.closing(connection):
                if connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION:
                    for row in connection.execute(rows):
                        found.append(kept_of(row))  # noqa: PERF401 - what was read stays where the next row cannot be
    return found


def _state_of(row: tuple[str, str, str]) -> KeptState:
    tag, name, value = row
    return KeptState(tag, name, json.loads(value))
