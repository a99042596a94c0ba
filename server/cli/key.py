"""`blockhouse key`: show the command key's place and fingerprint, write it for the flight computer, rotate it.

The key itself is printed by none of them. `add_key` fills in the command's parser; the functions it names take the parsed
options and return the exit code, and every failure is a KeyProblem of one sentence.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from server.settings import copies_folder, default_folders
from server.uplink.counter_store import CounterStore
from server.uplink.key_file import export_key, kept_keys, load_or_make_key, rotate_key
from server.uplink.key_names import KEY_FILE, fingerprint


def add_key(key: argparse.ArgumentParser) -> None:
    """Fill in `key`, with `show`, `export FILE` and `rotate`; without one of them it shows."""
    key.description = "Without an act: show."
    _add_options(key, None)
    key.set_defaults(run=show)
    acts = key.add_subparsers(metavar="ACT")
    _add_options(acts.add_parser("show", help="where the key is, its fingerprint, earlier keys"), show)
    export = acts.add_parser("export", help="write the key as a C array for the flight computer, readable by you alone")
    export.add_argument("file", type=Path, metavar="FILE", help="a file that does not exist yet")
    _add_options(export, write)
    _add_options(acts.add_parser("rotate", help="make a new key; the old one is kept aside"), rotate)


def _add_options(parser: argparse.ArgumentParser, run: object) -> None:
    # An act's own default would overwrite what stands before the act ("key --keys DIR rotate"), so it has none.
    default = None if run is None else argparse.SUPPRESS
    keys_help = "folder of the command key and its counter"
    parser.add_argument("--keys", type=Path, metavar="DIR", default=default, help=keys_help)
    if run is not write:
        export_help = "also write the key as a C array, readable by you alone"
        parser.add_argument("--export", type=Path, metavar="FILE", default=default, help=export_help)
    if run is not None:
        parser.set_defaults(run=run)


def show(options: argparse.Namespace) -> int:
    """Print where the key is, its fingerprint, its counter and earlier keys; make the key on first use."""
    folder = _folder(options)
    key = load_or_make_key(folder, copies_folder())
    _print_key(folder, key)
    print(f"counters up to this one are spoken for: {CounterStore(folder, key, copies_folder()).last()}")
    for kept in kept_keys(folder):
        print(f"earlier key: {kept}")
    _export_if_asked(options.export, key)
    return 0


def write(options: argparse.Namespace) -> int:
    """Write the key for the flight computer; an existing file is never overwritten."""
    key = load_or_make_key(_folder(options), copies_folder())
    print(f"fingerprint: {fingerprint(key)}")
    for file in (options.file, options.export):
        _export_if_asked(file, key)
    return 0


def rotate(options: argparse.Namespace) -> int:
    """Make a new key and keep the old one aside."""
    folder = _folder(options)
    key, kept = rotate_key(folder, time.strftime("%Y%m%dT%H%M%SZ", time.gmtime()), copies_folder())
    _print_key(folder, key)
    print(f"the old key is kept: {kept}")
    _export_if_asked(options.export, key)
    print("The vehicle obeys the old key until the new one is in its flight computer ('blockhouse key export FILE').")
    print("A station that is running keeps the old key until it is started again.")
    return 0


def _folder(options: argparse.Namespace) -> Path:
    return options.keys or default_folders()[1]


def _print_key(folder: Path, key: bytes) -> None:
    print(f"file: {folder / KEY_FILE}")
    print(f"fingerprint: {fingerprint(key)}")


def _export_if_asked(file: Path | None, key: bytes) -> None:
    if file is not None:
        export_key(file, key)
        print(f"written for the flight computer: {file}")
