"""Photos: kept by what is in them, bounded, and nothing else than photos."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator.photos import LARGEST, NoPhoto, Photos

# What each begins with: ISO/IEC 10918-1 (SOI), ISO/IEC 15948 clause 5.2, RFC 9649 section 2.4; all from memory.
JPEG = b"\xff\xd8\xff\xe0" + b"\x00" * 20
PNG = b"\x89PNG\r\n\x1a\n" + b"\x00" * 20
WEBP = b"RIFF\x1a\x00\x00\x00WEBPVP8 " + b"\x00" * 10


@pytest.fixture
def photos(tmp_path: Path) -> Photos:
    return Photos(tmp_path / "data", 1000)


@pytest.mark.parametrize(("photo", "ending"), [(JPEG, ".jpg"), (PNG, ".png"), (WEBP, ".webp")])
def test_a_photo_is_kept_whole_under_an_ending_that_viewers_know(photos: Photos, photo: bytes, ending: str) -> None:
    name, is_new = photos.keep(photo)
    assert (Path(name).suffix, is_new) == (ending, True)
    assert (photos.folder / name).read_bytes() == photo
    assert [path.name for path in photos.folder.iterdir()] == [name]


def test_the_same_photo_is_kept_once(photos: Photos) -> None:
    name, _ = photos.keep(JPEG)
    assert photos.keep(JPEG) == (name, False)


@pytest.mark.parametrize(
    ("photo", "says"),
    [
        (b"<html>", "that is no photo"),
        (b"", "that is no photo"),
        (b"RIFF\x1a\x00\x00\x00WAVEfmt ", "that is no photo"),
        (JPEG + b"\x00" * LARGEST, "at most 8 MB"),
    ],
)
def test_what_is_no_photo_or_too_large_is_refused(photos: Photos, photo: bytes, says: str) -> None:
    with pytest.raises(NoPhoto, match=says):
        photos.keep(photo)
    assert not photos.folder.exists()


def test_a_file_that_cannot_be_read_is_refused_by_its_name(photos: Photos, tmp_path: Path) -> None:
    for path in (tmp_path / "nowhere.jpg", tmp_path):
        with pytest.raises(NoPhoto, match=f"{path} cannot be read by the service"):
            photos.take(path)


def test_a_photo_for_which_there_is_no_room_is_refused_with_what_to_do(photos: Photos) -> None:
    photos.keep(JPEG + b"\x00" * 900)
    photos.keep(PNG)
    with pytest.raises(NoPhoto, match=r"take 0 MB and may take 0\. Let them have more \(`most_photos`"):
        photos.keep(WEBP + b"\x00" * 50)
    assert len([*photos.folder.iterdir()]) == 2


def test_what_a_power_cut_has_left_half_written_goes_at_the_next_start(photos: Photos, tmp_path: Path) -> None:
    name, _ = photos.keep(JPEG)
    halves = [photos.folder / "0123456789abcdef.part", tmp_path / "data" / "tmpabc.part"]
    for half in halves:
        half.write_bytes(JPEG)
    photos.tidy()
    assert [path.name for path in photos.folder.iterdir()] == [name]
    assert not any(half.exists() for half in halves)


def test_a_photo_can_be_dropped_twice(photos: Photos) -> None:
    name, _ = photos.keep(PNG)
    photos.drop(name)
    photos.drop(name)
    assert [*photos.folder.iterdir()] == []
