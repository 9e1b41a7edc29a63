"""The command line: one file per verb. A verb parses, asks the rooms below, and prints; no rule lives here."""

from dosingd.cli.entry import main

__all__ = ["main"]
