"""Services that are up soon: a start takes most of its time to import, and what has done so forks one at each call.

What runs is what `aggregator run` runs, in a process of its own, with its own log, end and exit code.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

# Each line it reads is a service to fork: its arguments, its log file, and Python to run first. It prints the process
# id, and leaves the exit code beside the log file once the process is gone.
PROGRAM = """\
import json, os, signal, sys
import aggregator.cli.service, aggregator.daemon, uvloop
from aggregator.cli import main

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
    arguments, log_file, prelude = json.loads(line)
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGCHLD})
    pid = os.fork()
    if pid:
        logs[pid] = log_file
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGCHLD})
        print(pid, flush=True)
        continue
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGCHLD})
    log = os.open(log_file, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    for stream in (1, 2):
        os.dup2(log, stream)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    exec(prelude)
    sys.argv[1:] = arguments
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
    """The process that forks services."""

    process: subprocess.Popen[str]

    def run(self, folder: Path, log_file: Path, prelude: str = "") -> Forked:
        """Run a site folder; `prelude` is Python to run in the new process first."""
        assert self.process.stdin
        assert self.process.stdout
        arguments = ["run", str(folder), "--log", "json"]
        self.process.stdin.write(json.dumps([arguments, str(log_file), prelude]) + "\n")
        self.process.stdin.flush()
        return Forked(int(self.process.stdout.readline()), log_file)


@contextmanager
def open_nursery() -> Iterator[Nursery]:
    """A nursery until the end of the block."""
    command = [sys.executable, "-c", PROGRAM]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        yield Nursery(process)
        process.kill()
