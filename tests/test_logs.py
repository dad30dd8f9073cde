"""What the service writes about itself."""

from __future__ import annotations

import structlog
from structlog.testing import capture_logs

from aggregator.core.outbox import Note
from aggregator.core.reading import Now
from aggregator.logs import Record


def test_a_fact_that_says_nothing_is_left_out() -> None:
    facts: dict[str, object] = {"tag": "FT-101", "value": None, "meters_new": [], "who": "", "peak": 0, "on": False}
    with capture_logs() as lines:
        Record(structlog.get_logger("site")).write([Note("alarm raised", facts=facts)], Now(0.0, 1.8e9))
    assert lines == [{"tag": "FT-101", "peak": 0, "on": False, "event": "alarm raised", "log_level": "info"}]
