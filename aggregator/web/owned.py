"""Files that only the service's user may read, written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

OWNER_ONLY = 0o600


def write_owned(path: Path, text: str) -> None:
    """Put a text in a file's place, on disk before it is there. Raises OSError, and the old one stays then."""
    new = path.with_suffix(".new")
    new.unlink(missing_ok=True)
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ONLY)
    try:
        os.write(descriptor, text.encode())
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    new.replace(path)
