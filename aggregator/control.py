"""The control socket: how the commands on this machine speak with the running service.

    -> {"do": "test", "tag": "FT-101", "on": true, "who": "technician"}
    <- {"done": {"tag": "FT-101", "under test": true}}
    -> {"do": "dance"}
    <- {"wrong": "there is no `dance`; there is replay aside, status, test."}

One JSON object a line each way, one answer a request, on a Unix stream socket in the site's data folder. Connecting
needs the right to write the file (unix(7)), and only its owner has that: who may ask is settled by the file's mode.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import stat
from collections.abc import Awaitable, Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import structlog

from aggregator.core.errors import AggregatorError, DecodeError
from aggregator.core.uplink import read_json

NAME = "control.sock"
OWNER_ONLY = 0o600
LONGEST_REQUEST = 16 * 1024  # bytes
LONGEST_ANSWER = 1024 * 1024  # bytes
MOST_CLIENTS = 8
IDLE = 30.0  # s for a client to ask, and to take what it asked for
ASIDE = 2.0  # s for another service to say which site it is of
UNIX_SOCKETS = Path("/proc/net/unix")  # proc(5): all Unix sockets, the path at the end of the line
LONGEST_PATH = 100  # bytes; the kernel takes 107 (unix(7))

Request = Mapping[str, object]
Command = Callable[[Request], Awaitable[Mapping[str, object]]]
"""Carries out one kind of request. What it returns is the answer; it raises Refused with a sentence."""

log = structlog.get_logger("control")


class Refused(AggregatorError):
    """A request cannot be carried out; the message says why."""


class NoService(AggregatorError):
    """No service answers at the socket."""


class CannotAsk(AggregatorError):
    """A service may be there, but cannot be asked."""


class ControlServer:
    """Serves the socket. `commands` is the table of all that can be asked: a new command is a new row."""

    def __init__(self, folder: Path, commands: Mapping[str, Command]) -> None:
        self._path = folder.resolve() / NAME  # whole, so that it can be found by that name
        self._commands = commands
        self._server: asyncio.Server | None = None
        self._inode: int | None = None
        self._clients: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Listen. Without a socket the service does all the rest, so what is in the way is only logged."""
        try:
            listener = self._bind()
        except OSError as error:
            log.warning("no control socket", file=str(self._path), reason=error.strerror or str(error))
            return
        self._server = await asyncio.start_unix_server(self._serve, sock=listener, limit=LONGEST_REQUEST)

    async def stop(self) -> None:
        """Close the socket and every connection, and take the file away if it is still this server's."""
        if self._server is None:
            return
        self._server.close()
        for client in self._clients:
            client.cancel()
        if self._clients:
            await asyncio.wait(self._clients)
        with contextlib.suppress(OSError):
            if self._path.stat().st_ino == self._inode:
                self._path.unlink()

    def _bind(self) -> socket.socket:
        if _is_served(self._path):
            raise OSError("another service answers there")
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            with contextlib.suppress(FileNotFoundError):
                if stat.S_ISSOCK(self._path.lstat().st_mode):  # left behind by a service that was killed
                    self._path.unlink()
            with _short(self._path) as path:
                listener.bind(path)
            self._path.chmod(OWNER_ONLY)  # nobody can connect before `listen`
            self._inode = self._path.stat().st_ino
            listener.listen(MOST_CLIENTS)
        except OSError:
            listener.close()
            raise
        return listener

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._clients.add(task)
        try:
            if len(self._clients) > MOST_CLIENTS:
                await _answer(writer, {"wrong": f"{MOST_CLIENTS} others are asking already. Try again."})
            else:
                await self._converse(reader, writer)
        except (OSError, TimeoutError):
            pass  # it left, or takes nothing: no matter of the service's
        finally:
            self._clients.discard(task)
            if writer.transport.get_write_buffer_size():  # it takes nothing: waiting for it would be for ever
                writer.transport.abort()
            else:
                writer.close()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            try:
                async with asyncio.timeout(IDLE):
                    line = await reader.readuntil(b"\n")
            except asyncio.IncompleteReadError:
                return
            except asyncio.LimitOverrunError:
                await _answer(writer, {"wrong": f"a request has at most {LONGEST_REQUEST} bytes."})
                return
            await _answer(writer, await self._carry_out(line))

    async def _carry_out(self, line: bytes) -> Mapping[str, object]:
        try:
            request = _request(line)
            command = self._commands.get(str(request["do"]))
            if command is None:
                raise Refused(f"there is no `{request['do']}`; there is {', '.join(sorted(self._commands))}.")
            return {"done": await command(request)}
        except AggregatorError as error:
            return {"wrong": str(error)}
        except Exception:
            log.exception("request not carried out, a defect of this program")
            return {"wrong": "a defect of this program kept it from being done; the service's log has the particulars."}


def _request(line: bytes) -> Request:
    try:
        request = read_json(line)
    except DecodeError as error:
        raise Refused(f"a request is one line of JSON, and this is none: {error.detail}.") from error
    if not isinstance(request, dict) or not isinstance(request.get("do"), str):
        raise Refused('a request is a JSON object that says what to do: {"do": "status"}.')
    return request


async def _answer(writer: asyncio.StreamWriter, answer: Mapping[str, object]) -> None:
    line = json.dumps(answer).encode() + b"\n"
    if len(line) > LONGEST_ANSWER:
        line = json.dumps({"wrong": f"the answer has more than {LONGEST_ANSWER} bytes."}).encode() + b"\n"
    writer.write(line)
    async with asyncio.timeout(IDLE):
        await writer.drain()


@contextlib.contextmanager
def _short(path: Path) -> Iterator[str]:
    """A path that fits the kernel's bound for sockets: a long one is named through its folder's descriptor."""
    if len(os.fsencode(path)) <= LONGEST_PATH:
        yield str(path)
        return
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)


def _is_served(path: Path) -> bool:
    try:
        _connected(path, 1.0).close()
    except OSError:
        return False
    return True


def _connected(path: Path, within: float | None) -> socket.socket:
    client = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    client.settimeout(within)
    try:
        with _short(path) as short:
            client.connect(short)
    except OSError:
        client.close()
        raise
    return client


def ask(folder: Path, request: Request, within: float = 30.0) -> dict[str, Any]:
    """Ask the service that runs on a data folder, and wait so long (s) for its answer. Blocks.

    Raises NoService where none runs, CannotAsk where it may not be asked or does not answer, Refused where it refuses.
    """
    path = folder / NAME
    try:
        with _connected(path, within) as client, client.makefile("rb") as answers:
            with contextlib.suppress(BrokenPipeError):  # a full house says so at once and leaves; its answer is there
                client.sendall(json.dumps(request).encode() + b"\n")
            line = answers.readline(LONGEST_ANSWER + 1)
    except (FileNotFoundError, ConnectionRefusedError) as error:
        raise NoService(f"no service answers at {path}. Is one running on this site?") from error
    except PermissionError as error:
        raise CannotAsk(f"{path} may be used by the service's user only. Run this as that user.") from error
    except OSError as error:
        raise CannotAsk(f"the service at {path} does not answer: {error}. Its log may say why.") from error
    return _done(path, line)


def ask_site(site: Path, folder: Path, request: Request, within: float = 30.0) -> dict[str, Any]:
    """Ask the service that runs on a site's files. Its data should be in `folder`; if not, it is looked for. As `ask`.

    A service keeps the data folder that it was started with, whatever its files or its environment say by now.
    """
    try:
        return ask(folder, request, within)
    except NoService:
        elsewhere = _elsewhere(site)
        if elsewhere is None:
            raise
        return ask(elsewhere, request, within)


def folder_in_use(site: Path, folder: Path) -> Path:
    """The data folder of the service that runs on a site's files, which may say another one by now; else `folder`."""
    return folder if _serves(folder, site) else _elsewhere(site) or folder


def _elsewhere(site: Path) -> Path | None:
    """The data folder of a service of this machine that runs on a site's files; None where there is none."""
    return next((each for each in _data_folders() if _serves(each, site)), None)


def _data_folders() -> Iterator[Path]:
    """Where this machine's services have their sockets; one with a path too long for the kernel is not found."""
    try:
        listed = UNIX_SOCKETS.read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:
        return
    paths = (Path(line.split(maxsplit=7)[-1]) for line in listed.splitlines())
    yield from dict.fromkeys(path.parent for path in paths if path.is_absolute() and path.name == NAME)


def _serves(folder: Path, site: Path) -> bool:
    """Whether what answers in a data folder is the service of a site."""
    try:
        return site.samefile(ask(folder, {"do": "status"}, ASIDE)["folder"])
    except (AggregatorError, OSError, KeyError, TypeError):
        return False


def _done(path: Path, line: bytes) -> dict[str, Any]:
    try:
        answer = json.loads(line)
    except ValueError as error:
        raise CannotAsk(
            f"what answers at {path} is not this program's service, or it ended. Look at its log."
        ) from error
    if "wrong" in answer:
        raise Refused(str(answer["wrong"]))
    done: dict[str, Any] = answer["done"]
    return done
