"""Where a site's data stand, told from its files even where these are wrong: whoever asks the service looks there.

Commands that ask the service import this and nothing that reads a whole site, so that they answer at once.
"""

from __future__ import annotations

import os
from pathlib import Path

from aggregator.config.document import read
from aggregator.core.errors import ConfigurationError


def data_folder(folder: Path, declared: str | None) -> Path:
    """The data folder of a site's folder: as declared, else where the service manager says, else in that folder."""
    given = os.environ.get("STATE_DIRECTORY", "").partition(":")[0]
    return folder / declared if declared else Path(given) if given else folder / "data"


def found_data_folder(folder: Path) -> Path:
    """As `data_folder`, by what the folder's site.yaml declares, told even where other keys of its files are wrong."""
    return data_folder(folder, _declared(folder))


def _declared(folder: Path) -> str | None:
    try:
        data = read(folder / "site.yaml").data
    except ConfigurationError:
        return None
    match data:
        case {"storage": {"folder": str(declared)}}:
            return declared
    return None
