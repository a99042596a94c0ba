"""The command key: 32 random bytes in a file of mode 0600 in the user's settings, outside every session.

It is never shown, logged, recorded or sent, only its fingerprint is. A key and its counter (`counter_store`) are made
together, the counter first. So a key that has no counter is not a new one: its counter was lost, nobody can know what was
used, and it is refused until it is rotated.
"""

from __future__ import annotations

import logging
import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from protocol.commands import KEY_SIZE
from server.uplink.counter_store import CounterStore
from server.uplink.key_names import KEY_FILE, KeyProblem, fingerprint
from server.uplink.private_files import sync_folder, write_new

NEW_KEY = (
    "A new command key was made (%s, fingerprint %s), and another one was used before: a vehicle that holds that one obeys "
    "nothing from this station, Safe all neither. Put the old file back, or the new key into the flight computer."
)

_log = logging.getLogger(__name__)


def load_or_make_key(folder: Path, copies: Path | None = None) -> bytes:
    """Return the key in `folder`, made on first use with mode 0600; raises KeyProblem.

    With a new key its counter is made, beside it and in `copies`. That a key was here or on this computer before is
    logged as a warning then: the vehicle holds that one.
    """
    path = folder / KEY_FILE
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        earlier = None if os.path.lexists(path) else _has_earlier_key(folder, copies)
        if earlier is not None:
            _make_key(folder, copies)
        if not path.is_file():  # a pipe would be waited for, and a link to what is not plugged in is no reason for a new key
            what = "no file (but a folder, a device, or a link to nothing)"
            raise KeyProblem(f"The command key {path} is {what}; put the key back there, or move that aside for a new one.")
        mode = stat.S_IMODE(path.stat().st_mode)
        text = path.read_bytes()
    except OSError as error:
        raise KeyProblem(f"The command key {path} cannot be read or made: {error.strerror}.") from error
    if os.name == "posix" and mode & 0o077:
        raise KeyProblem(f"The command key {path} can be read by others (mode {mode:04o}); run: chmod 600 {path}")
    remedy = "restore it or remove it to make a new one"
    try:
        key = bytes.fromhex(text.decode("ascii"))
    except ValueError as error:
        raise KeyProblem(f"The command key {path} is not hexadecimal; {remedy}.") from error
    if len(key) != KEY_SIZE:
        raise KeyProblem(f"The command key {path} has {len(key)} bytes, {KEY_SIZE} are needed; {remedy}.")
    if earlier:
        _log.warning(NEW_KEY, path, fingerprint(key))
    return key


def rotate_key(folder: Path, stamp: str, copies: Path | None = None) -> tuple[bytes, Path]:
    """Put a new key in the place of the one in `folder`; return it and the file that keeps the old one.

    The old key is kept as it is, even if it can no longer be used, under the name of the key with `stamp` added, mode
    0600. The new key's counter starts anew. At every instant there is a key, the old one or the new one, with its
    counter. Raises KeyProblem.
    """
    path = folder / KEY_FILE
    kept = path.with_name(f"{KEY_FILE}.{stamp}")
    try:
        old = path.read_bytes()
    except OSError as error:
        raise KeyProblem(f"There is no command key {path} to rotate: {error.strerror}.") from error
    key = secrets.token_bytes(KEY_SIZE)
    try:
        CounterStore(folder, key, copies).begin()
        write_new(kept, old)
        with _written_aside(folder, key) as temporary:
            os.replace(temporary, path)
        sync_folder(folder)
    except OSError as error:
        raise KeyProblem(f"The command key {path} cannot be rotated: {error.strerror}.") from error
    return key, kept


def kept_keys(folder: Path) -> list[Path]:
    """Return the files of earlier keys, oldest first."""
    return sorted(folder.glob(f"{KEY_FILE}.[0-9]*"))


def export_key(path: Path, key: bytes) -> None:
    """Write the key as a C array into a new file of mode 0600; raises KeyProblem (also when the file exists)."""
    numbers = ", ".join(f"0x{byte:02x}" for byte in key)
    text = (
        f"/* Blockhouse command key {fingerprint(key)}: secret. */\n"
        f"static const unsigned char blockhouse_key[{len(key)}] = {{ {numbers} }};\n"
    )
    try:
        write_new(path, text.encode("ascii"))
    except OSError as error:
        raise KeyProblem(f"The key cannot be written to {path}: {error.strerror}.") from error


def _has_earlier_key(folder: Path, copies: Path | None) -> bool:
    """Tell whether a key was used here or on this computer before: its counter outlives it, and so does one put aside."""
    counters = (folder.glob("counter-*"), (copies or folder).glob("counter-*"))
    return any(next(found, None) for found in counters) or bool(kept_keys(folder))


def _make_key(folder: Path, copies: Path | None) -> None:
    """Make a key whose counter is on the disk before the key is, and which appears whole or not at all."""
    key = secrets.token_bytes(KEY_SIZE)
    CounterStore(folder, key, copies).begin()
    with _written_aside(folder, key) as temporary, suppress(FileExistsError):
        os.link(temporary, folder / KEY_FILE)  # if another process has made a key meanwhile, that one counts
    sync_folder(folder)


@contextmanager
def _written_aside(folder: Path, key: bytes) -> Iterator[Path]:
    temporary = folder / f"{KEY_FILE}.new-{secrets.token_hex(4)}"
    try:
        write_new(temporary, key.hex().encode() + b"\n")
        yield temporary
    finally:
        temporary.unlink(missing_ok=True)
