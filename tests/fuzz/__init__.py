"""A hostile client: a million frames for the register device, each answer held to a model. Start: `tests/fuzz/run`."""
