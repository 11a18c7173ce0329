"""The command line: one thin module per verb, each imported only when its verb is used."""

from archiver.cli.main import main

__all__ = ["main"]
