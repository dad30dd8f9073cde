"""The command line."""


def main() -> None:
    """Filled in with the service."""
    raise SystemExit(2)
