"""A site on disk that is right, to be spoilt one way at a time."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

HERE = Path(__file__).parent


@pytest.fixture
def good_site(tmp_path: Path) -> Path:
    """A copy of the good site, to be changed freely."""
    return Path(shutil.copytree(HERE / "good", tmp_path / "site"))
