"""Lets `python -m aggregator` stand in for the installed command."""

from aggregator.cli import main

main()
