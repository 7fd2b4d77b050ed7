"""The command line: ``simwrap``."""

from simwrap.cli.app import main

__all__ = ["main"]
