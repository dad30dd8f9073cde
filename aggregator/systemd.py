"""The service manager's notification socket (sd_notify(3)): ready, alive, reloading, stopping."""

from __future__ import annotations

import os
import socket
import time


def notify(state: str) -> bool:
    """Tell the service manager a state such as `READY=1`. Returns whether it was told.

    A manager that does not listen, or takes nothing more just now, is no reason to stop serving or to wait: it takes
    its own measures when it misses a sign.
    """
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK) as sock:
            sock.connect("\0" + address[1:] if address.startswith("@") else address)
            sock.sendall(state.encode())
    except OSError:
        return False
    return True


def notify_reloading() -> None:
    """Tell that the files are being taken anew (sd_notify(3)); `READY=1` ends it."""
    notify(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")


def watchdog_interval() -> float | None:
    """Seconds within which the manager wants a sign of life (sd_watchdog_enabled(3)), None where it wants none."""
    microseconds = os.environ.get("WATCHDOG_USEC")
    if not microseconds or os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    return int(microseconds) / 1e6
