"""The broker's own command line."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys

from aggregator.demo.embedded import LISTENING, PASSWORD, free_port

COMMAND = [sys.executable, "-m", "aggregator.demo.broker"]
WITHOUT = {name: value for name, value in os.environ.items() if name != PASSWORD}


def test_it_asks_for_the_password_in_the_environment() -> None:
    done = subprocess.run(COMMAND, env=WITHOUT, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert PASSWORD in done.stderr


def test_a_port_that_is_taken_is_one_line_and_a_code() -> None:
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        port = str(holder.getsockname()[1])
        done = subprocess.run(
            [*COMMAND, "--port", port], env={**WITHOUT, PASSWORD: "x"}, capture_output=True, text=True, check=False
        )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert port in done.stderr


def test_sigterm_ends_it() -> None:
    with subprocess.Popen(
        [*COMMAND, "--port", str(free_port())], env={**WITHOUT, PASSWORD: "x"}, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline().startswith(LISTENING)
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=10) == 0
