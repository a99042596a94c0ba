"""The command key and its counter: made once, kept private, never used twice, whatever the disk does."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import re
import threading
from pathlib import Path

import pytest

from protocol.commands import COUNTER_MAX
from server import keys
from server.keys import SPARE, CounterStore, KeyProblem, export_key, fingerprint, load_or_make_key

KEY = bytes(range(32))


@pytest.fixture
def store(tmp_path: Path) -> CounterStore:
    return CounterStore(tmp_path, KEY)


def counter_file(folder: Path) -> Path:
    return folder / f"counter-{fingerprint(KEY)}"


def write_counter(folder: Path, value: object) -> None:
    counter_file(folder).write_text(f"{value}\n")


# ---------------------------------------------------------------- key


def test_key_is_made_once_with_mode_0600(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "keys"
    key = load_or_make_key(folder)
    assert len(key) == 32 and key == load_or_make_key(folder)
    assert key != load_or_make_key(tmp_path / "other")
    assert (folder / "command.key").stat().st_mode & 0o777 == 0o600
    assert folder.stat().st_mode & 0o777 == 0o700


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "has 0 bytes, 32 are needed."),
        ("00" * 31, "has 31 bytes, 32 are needed."),
        ("zz" * 32, "is not hexadecimal; restore it or remove it to make a new one."),
        ("\xff", "cannot be read or made:"),
    ],
)
def test_damaged_key_is_said_and_not_replaced(tmp_path: Path, text: str, sentence: str) -> None:
    path = tmp_path / "command.key"
    path.write_bytes(text.encode("latin-1"))
    path.chmod(0o600)
    with pytest.raises(KeyProblem, match=re.escape(sentence)):
        load_or_make_key(tmp_path)
    assert path.read_bytes() == text.encode("latin-1")


def test_key_others_can_read_is_refused(tmp_path: Path) -> None:
    load_or_make_key(tmp_path)
    (tmp_path / "command.key").chmod(0o640)
    with pytest.raises(KeyProblem, match=r"can be read by others \(mode 0640\); run: chmod 600"):
        load_or_make_key(tmp_path)


def test_folder_that_is_a_file_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(KeyProblem, match="cannot be read or made"):
        load_or_make_key(tmp_path / "file")


def test_fingerprint_is_a_hash_and_tells_nothing_of_the_key() -> None:
    digest = hashlib.sha256(b"blockhouse key fingerprint" + KEY).hexdigest()
    assert fingerprint(KEY).replace("-", "") == digest[:16]
    assert re.fullmatch(r"([0-9a-f]{4}-){3}[0-9a-f]{4}", fingerprint(KEY))
    assert fingerprint(KEY) != fingerprint(KEY[::-1])


def test_export_is_the_key_as_c_and_never_overwrites(tmp_path: Path) -> None:
    path = tmp_path / "key.h"
    export_key(path, KEY)
    numbers = re.findall(r"0x([0-9a-f]{2})", path.read_text())
    assert bytes.fromhex("".join(numbers)) == KEY
    assert path.stat().st_mode & 0o777 == 0o600
    with pytest.raises(KeyProblem, match="cannot be written"):
        export_key(path, KEY)


# ---------------------------------------------------------------- counter


def test_counter_grows_and_the_file_is_ahead_before_a_value_is_given(tmp_path: Path, store: CounterStore) -> None:
    assert store.last() == 0
    for expected in (1, 2, 3):
        assert store.take() == expected
        assert store.last() >= expected
    assert counter_file(tmp_path).stat().st_mode & 0o777 == 0o600


def test_no_value_comes_back_after_a_restart(tmp_path: Path) -> None:
    used: list[int] = []
    for _ in range(5):
        store = CounterStore(tmp_path, KEY)
        store.reserve()
        used += [store.take_spare(), store.take(), store.take(), store.take_spare()]
    assert used == sorted(set(used))


def test_each_key_has_its_own_counter(tmp_path: Path, store: CounterStore) -> None:
    store.take()
    assert CounterStore(tmp_path, KEY[::-1]).take() == 1


def test_limit_is_refused_and_never_wraps(tmp_path: Path, store: CounterStore) -> None:
    write_counter(tmp_path, COUNTER_MAX - 2)
    assert [store.take(), store.take()] == [COUNTER_MAX - 1, COUNTER_MAX]
    for again in (store, CounterStore(tmp_path, KEY)):
        with pytest.raises(KeyProblem, match="The command counter has reached its limit; make a new key."):
            again.take()
    with pytest.raises(KeyProblem):
        store.take_spare()


@pytest.mark.parametrize("text", ["", "x", "-1", "1.5", "0x10", str(COUNTER_MAX + 1), "9" * 5000, "１"])
def test_senseless_counter_is_said_and_nothing_is_taken(tmp_path: Path, store: CounterStore, text: str) -> None:
    counter_file(tmp_path).write_text(text, "utf-8")
    with pytest.raises(KeyProblem, match="is damaged|cannot be read"):
        store.take()
    assert counter_file(tmp_path).read_text("utf-8") == text


@pytest.mark.parametrize("step", ["fsync", "replace", "open"])
def test_failing_disk_gives_no_value_but_the_spares(store: CounterStore, monkeypatch, step: str) -> None:
    store.reserve()
    first = store.take()

    def fail(*args, **more):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(keys.os, step, fail)
    with pytest.raises(KeyProblem, match="No space left on device"):
        store.take()
    spares = [store.take_spare() for _ in range(SPARE)]
    assert spares == list(range(first + 1, first + 1 + SPARE))
    with pytest.raises(KeyProblem, match="no spare one is left"):
        store.take_spare()
    monkeypatch.undo()
    assert store.take() > spares[-1]


def test_value_whose_sync_failed_is_never_given_again(tmp_path: Path, store: CounterStore, monkeypatch) -> None:
    """The file was replaced, but the folder could not be synced: after a crash the file may be old or new."""
    store.take()
    monkeypatch.setattr(keys, "_sync_folder", lambda folder: (_ for _ in ()).throw(OSError(5, "Input/output error")))
    with pytest.raises(KeyProblem):
        store.take()
    monkeypatch.undo()
    following = store.take()
    assert following > 1
    assert CounterStore(tmp_path, KEY).take() > following


def test_file_is_synced_before_it_replaces_the_old_one(store: CounterStore, monkeypatch) -> None:
    calls: list[str] = []
    real_sync, real_replace = os.fsync, os.replace
    monkeypatch.setattr(keys.os, "fsync", lambda fd: (calls.append("sync"), real_sync(fd))[1])
    monkeypatch.setattr(keys.os, "replace", lambda a, b: (calls.append("replace"), real_replace(a, b))[1])
    store.take()
    assert calls == ["sync", "replace", "sync"]


def test_spare_needs_no_disk_even_while_the_disk_hangs(store: CounterStore, monkeypatch) -> None:
    store.reserve()
    hanging, go_on, given = threading.Event(), threading.Event(), []
    real = os.fsync

    def hang(descriptor: int) -> None:
        hanging.set()
        go_on.wait(10.0)
        real(descriptor)

    monkeypatch.setattr(keys.os, "fsync", hang)
    thread = threading.Thread(target=lambda: given.append(store.take()))
    thread.start()
    assert hanging.wait(10.0)
    spare = store.take_spare()
    go_on.set()
    thread.join(10.0)
    assert given and spare != given[0]


def test_spare_before_anything_was_reserved_is_refused(store: CounterStore) -> None:
    with pytest.raises(KeyProblem):
        store.take_spare()


def test_threads_never_get_the_same_value(store: CounterStore) -> None:
    """Safe all may be prepared while another command still is: both take a counter, in threads, at the same time."""
    values: list[int] = []
    threads = [threading.Thread(target=lambda: values.extend(store.take() for _ in range(25))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(values) == len(set(values)) == 100


def _take_many(folder: Path, out: multiprocessing.Queue) -> None:
    store = CounterStore(folder, KEY)
    out.put([store.take() for _ in range(30)])


def test_two_stations_with_one_key_never_get_the_same_value(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    out = context.Queue()
    processes = [context.Process(target=_take_many, args=(tmp_path, out)) for _ in range(2)]
    for process in processes:
        process.start()
    values = [value for _ in processes for value in out.get(timeout=30)]
    for process in processes:
        process.join()
    assert len(values) == len(set(values)) == 60
