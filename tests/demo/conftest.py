"""What the tests of the demo share: the sample site."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator.config.configuration import Configuration, load

SAMPLE = Path(__file__).parents[2] / "config"


@pytest.fixture(scope="session")
def sample() -> Configuration:
    """The sample site as it is in config/."""
    return load(SAMPLE)
