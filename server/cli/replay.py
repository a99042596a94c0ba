"""`blockhouse replay`: the page on a recording."""

from __future__ import annotations

import argparse
import asyncio
from pathlib import Path

from server.app import run_replay
from server.cli.serving import add_serving, settings_of
from server.cli.shared import say
from server.recording.segment import base_name
from server.review.review import open_review


def add_replay(parser: argparse.ArgumentParser) -> None:
    """Fill in `replay`."""
    parser.add_argument("file", type=Path, help="the session file")
    add_serving(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Serve until a signal; a file that is no session is refused before anything is served."""
    open_review(options.file)
    name, folder = base_name(options.file), options.file.resolve().parent
    asyncio.run(run_replay(settings_of(options), name, folder, open_browser=not options.no_browser, say=say))
    return 0
