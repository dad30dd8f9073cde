"""Measurements of the running service, each beside a baseline taken in the same run. Start: `tests/bench/run`."""
