"""Photos that technicians take of a node on its meter: files in the data folder, named by what is in them.

They are too large for a row of the store, and any viewer opens them. What begins like no picture is none, whatever its
name says; nothing of a picture is read but its first bytes.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from pathlib import Path

from aggregator.core.errors import AggregatorError

FOLDER = "photos"
LARGEST = 8 * 1024 * 1024  # bytes; a phone's photo has 2 to 6 MB
# ISO/IEC 10918-1 (JPEG: SOI and the next marker), ISO/IEC 15948 clause 5.2 (PNG signature), RFC 9649 section 2.4
# (WebP), all `from memory`.
JPEG, PNG, RIFF, WEBP = b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"RIFF", b"WEBP"


class NoPhoto(AggregatorError):
    """A file cannot be kept as a photo; the message says why."""


class Photos:
    """The photos of a site, `most` bytes of them: as long as their links are on record, which is for good."""

    def __init__(self, data: Path, most: int) -> None:
        self.folder = data / FOLDER
        self._most = most

    def tidy(self) -> None:
        """Take away what a power cut has left half written, here and where pages lay photos down. Blocks."""
        for path in (*self.folder.glob("*.part"), *self.folder.parent.glob("*.part")):
            with contextlib.suppress(OSError):
                path.unlink()

    def take(self, path: Path) -> tuple[str, bool]:
        """Keep a copy of a file. Returns its name here, and whether it is new. Blocks. Raises NoPhoto."""
        try:
            with path.open("rb") as file:
                return self.keep(file.read(LARGEST + 1))
        except OSError as error:
            raise NoPhoto(f"{path} cannot be read by the service: {error.strerror}.") from error

    def keep(self, photo: bytes) -> tuple[str, bool]:
        """Keep a photo, safe on disk. Returns its name here, and whether it is new. Blocks. Raises NoPhoto, OSError."""
        if len(photo) > LARGEST:
            raise NoPhoto(f"a photo has at most {LARGEST // 1024 // 1024} MB. Take it with fewer pixels.")
        name = f"{hashlib.sha256(photo).hexdigest()[:16]}.{_ending(photo)}"
        path = self.folder / name
        if path.exists():
            return name, False
        self._check_room(len(photo))
        self.folder.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(".part")
        with part.open("wb") as file:
            file.write(photo)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        return name, True

    def _check_room(self, more: int) -> None:
        taken = sum(path.stat().st_size for path in self.folder.glob("*.*")) if self.folder.is_dir() else 0
        if taken + more > self._most:
            raise NoPhoto(
                f"the photos in {self.folder} take {taken / 1e6:.0f} MB and may take {self._most / 1e6:.0f}. Let them"
                " have more (`most_photos` under `storage` in site.yaml), or take away some of links that have ended."
            )

    def drop(self, name: str) -> None:
        """Take a photo away that nothing came to name."""
        with contextlib.suppress(OSError):
            (self.folder / name).unlink()


def _ending(photo: bytes) -> str:
    if photo.startswith(JPEG):
        return "jpg"
    if photo.startswith(PNG):
        return "png"
    if photo.startswith(RIFF) and photo[8:12] == WEBP:
        return "webp"
    raise NoPhoto("that is no photo: JPEG, PNG and WebP are known.")
