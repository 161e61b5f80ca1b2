"""The command line: parse, call, print."""

from chainweigh.cli.main import main

__all__ = ["main"]
