"""Arguments in, one sentence out."""

from server.cli.cli import main

__all__ = ["main"]
