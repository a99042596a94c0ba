"""The options of every command that serves the page, and the settings they come to."""

from __future__ import annotations

import argparse
from pathlib import Path

from server.cli.shared import say, whole_number
from server.http.sharing import is_address, lan_address
from server.live.terminal import said_aside
from server.problems import SettingsProblem
from server.settings import DEFAULT_HTTP_PORT, Settings, default_folders, person_units


def add_serving(parser: argparse.ArgumentParser) -> None:
    """Add where recordings and key are, and how and to whom the page is served."""
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="folder of the recordings")
    parser.add_argument("--keys", type=Path, metavar="DIR", help="folder of the command key and its counter")
    parser.add_argument(
        "--http-port", type=whole_number(0, 65535), default=DEFAULT_HTTP_PORT, metavar="N", help="port of the page (0: any)"
    )
    parser.add_argument("--no-browser", action="store_true", help="do not open the page")
    parser.add_argument(
        "--share",
        nargs="?",
        const="",
        metavar="ADDRESS",
        help="let others on the network watch, view-only, by this computer's address there",
    )
    parser.add_argument("--share-desk", action="store_true", help="with --share: the operator's link works from there too")
    parser.add_argument("--certificate", type=Path, metavar="FILE", help="serve HTTPS with this certificate (PEM)")
    parser.add_argument("--certificate-key", type=Path, metavar="FILE", help="and its private key (PEM)")


def settings_of(options: argparse.Namespace) -> Settings:
    """Return the settings; raises SettingsProblem where the options contradict each other or the computer."""
    sessions, keys = default_folders()
    share = options.share
    if share == "":
        share = lan_address()
        if share is None:
            raise SettingsProblem("This computer is on no network, so there is no address to share by; name one.")
    if share is not None and not is_address(share):
        raise SettingsProblem(f"{share} is no address of this computer; --share takes one like 192.0.2.7, or none.")
    if options.share_desk and share is None:
        raise SettingsProblem("--share-desk needs --share.")
    files = (options.certificate, options.certificate_key)
    if (files[0] is None) != (files[1] is None):
        raise SettingsProblem("HTTPS needs both --certificate and --certificate-key.")
    for file in files:
        if file is not None and not file.is_file():
            raise SettingsProblem(f"There is no file {file}.")
    return Settings(
        sessions=options.sessions or sessions,
        keys=options.keys or keys,
        http_port=options.http_port,
        share=share,
        share_desk=options.share_desk,
        certificate=files if files[0] is not None else None,
        units=person_units(),
    )


def say_last(text: str) -> None:
    """Print the last line of a station; a terminal that stands still is waited for a moment only."""
    with said_aside(say) as say_it:
        say_it(text)
