"""Services and commands that are up soon: a start takes most of its time to import, and what has done so forks one.

What runs is what `aggregator` runs, in a process of its own, with its own output, environment, end and exit code. That
commands import little, and each all that it needs, is tried elsewhere, with interpreters of their own (test_late.py).
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

# Each line it reads is a process to fork: its arguments, the files for what it prints and for its errors, variables of
# its environment, and Python to run first. It prints the process id, and leaves the exit code beside the first file
# once the process is gone.
PROGRAM = """\
import gc, importlib, json, os, pkgutil, signal, sys, time, types
import aggregator, uvloop
for each in pkgutil.walk_packages(aggregator.__path__, "aggregator."):
    if not each.name.startswith(("aggregator.demo", "aggregator.__main__")):
        importlib.import_module(each.name)
from aggregator.cli import main
named = types.ModuleType("__main__")  # as in python -m aggregator, for what names the program by it
named.__package__ = "aggregator"
gc.freeze()  # nothing of all this is looked at by the collector of each fork

logs = {}

def tell_ends(*_):
    while logs:
        pid, status = os.waitpid(-1, os.WNOHANG)
        if not pid:
            return
        with open(logs.pop(pid) + ".ended", "w") as file:
            file.write(f"{os.waitstatus_to_exitcode(status)}\\n")

signal.signal(signal.SIGCHLD, tell_ends)
for line in sys.stdin:
    arguments, log_file, error_file, environment, prelude = json.loads(line)
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGCHLD})
    pid = os.fork()
    if pid:
        logs[pid] = log_file
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGCHLD})
        print(pid, flush=True)
        continue
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGCHLD})
    for stream, path in ((1, log_file), (2, error_file)):
        os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644), stream)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.environ.update(environment)
    time.tzset()
    exec(prelude)
    sys.argv[:] = [os.path.join(aggregator.__path__[0], "__main__.py"), *arguments]
    sys.modules["__main__"] = named
    sys.exit(main())
"""


@dataclass
class Forked:
    """A process of a nursery, in the words of subprocess.Popen."""

    pid: int
    log_file: Path
    returncode: int | None = None

    def poll(self) -> int | None:
        """The exit code, below 0 for a signal; None while it runs."""
        ended = self.log_file.with_name(f"{self.log_file.name}.ended")
        if self.returncode is None and ended.exists() and (text := ended.read_text()).endswith("\n"):
            self.returncode = int(text)
        return self.returncode

    def wait(self, timeout: float) -> int:
        """The exit code, once it has one. Raises subprocess.TimeoutExpired."""
        deadline = time.monotonic() + timeout
        while (code := self.poll()) is None:
            if time.monotonic() > deadline:
                raise subprocess.TimeoutExpired("aggregator run", timeout)
            time.sleep(0.002)
        return code

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


@dataclass
class Nursery:
    """The process that forks services and commands."""

    process: subprocess.Popen[str]

    def run(self, folder: Path, log_file: Path, prelude: str = "") -> Forked:
        """Run a site folder; `prelude` is Python to run in the new process first."""
        assert self.process.stdin
        assert self.process.stdout
        return self._fork(["run", str(folder), "--log", "json"], log_file, log_file, {}, prelude)

    def command(
        self, arguments: Sequence[str], environment: Mapping[str, str], within: float = 60.0
    ) -> subprocess.CompletedProcess[str]:
        """Run a command to its end. Raises subprocess.TimeoutExpired, and has it killed then."""
        with TemporaryDirectory() as folder:
            out, errors = Path(folder, "out"), Path(folder, "errors")
            forked = self._fork(arguments, out, errors, environment)
            try:
                code = forked.wait(within)
            except subprocess.TimeoutExpired:
                forked.kill()
                raise
            return subprocess.CompletedProcess(["aggregator", *arguments], code, out.read_text(), errors.read_text())

    def _fork(
        self, arguments: Sequence[str], out: Path, errors: Path, environment: Mapping[str, str], prelude: str = ""
    ) -> Forked:
        assert self.process.stdin
        assert self.process.stdout
        line = json.dumps([list(arguments), str(out), str(errors), dict(environment), prelude])
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        return Forked(int(self.process.stdout.readline()), out)


@contextmanager
def open_nursery() -> Iterator[Nursery]:
    """A nursery until the end of the block."""
    command = [sys.executable, "-c", PROGRAM]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        yield Nursery(process)
        process.kill()
