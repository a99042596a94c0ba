"""The command key and its counter: made once, kept private, never used twice, whatever the disk does."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import re
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from protocol.commands import COUNTER_MAX
from server.settings import copies_folder, default_folders
from server.uplink import counter_store
from server.uplink.counter_store import BELIEVED_AT_MOST, GAP_AFTER_LOSS, SPARE, CounterStore
from server.uplink.key_file import export_key, kept_keys, load_or_make_key, rotate_key
from server.uplink.key_names import KEY_FILE, KeyProblem, fingerprint

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
        ("", "has 0 bytes, 32 are needed; restore it or remove it to make a new one."),
        ("00" * 31, "has 31 bytes, 32 are needed; restore it or remove it to make a new one."),
        ("zz" * 32, "is not hexadecimal; restore it or remove it to make a new one."),
        ("\xff", "is not hexadecimal; restore it or remove it to make a new one."),
    ],
)
def test_damaged_key_is_said_and_not_replaced(tmp_path: Path, text: str, sentence: str) -> None:
    path = tmp_path / "command.key"
    path.write_bytes(text.encode("latin-1"))
    path.chmod(0o600)
    with pytest.raises(KeyProblem, match=re.escape(sentence)):
        load_or_make_key(tmp_path)
    assert path.read_bytes() == text.encode("latin-1")


@pytest.mark.parametrize("what", ["folder", "link to nothing", "link to itself", "pipe", "device"])
def test_what_is_no_file_is_said_at_once_and_left_alone(tmp_path: Path, what: str) -> None:
    """Seen: a pipe was waited for without a word, and a link to a stick that was not plugged in left a counter each time."""
    path = tmp_path / KEY_FILE
    if what == "folder":
        path.mkdir()
    elif what == "pipe":
        os.mkfifo(path, 0o600)
    else:
        path.symlink_to({"link to nothing": tmp_path / "stick" / KEY_FILE, "link to itself": path}.get(what, "/dev/full"))
    with pytest.raises(KeyProblem, match=r"command\.key is no file .*; put the key back there, or move that aside for"):
        load_or_make_key(tmp_path, tmp_path / "copies")
    assert [file.name for file in tmp_path.iterdir()] == [KEY_FILE]


def test_a_first_key_is_made_without_a_word(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    load_or_make_key(tmp_path / "keys", tmp_path / "copies")
    assert not caplog.records


@pytest.mark.parametrize("lost", ["key", "folder", "counter and key"])
def test_a_key_made_in_the_place_of_a_lost_one_is_said_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, lost: str
) -> None:
    """The vehicle knows the old one: seen, the station started as ever, and nothing it sent was obeyed, Safe all neither."""
    folder, copies = tmp_path / "keys", tmp_path / "copies"
    load_or_make_key(folder, copies)
    for file in list(folder.iterdir()):
        if lost != "key" or file.name == KEY_FILE:
            file.unlink()
    if lost == "folder":
        folder.rmdir()
    key = load_or_make_key(folder, copies)
    (said,) = [record.getMessage() for record in caplog.records]
    assert said.startswith(f"A new command key was made ({folder / KEY_FILE}, fingerprint {fingerprint(key)})"), said
    assert "obeys nothing from this station, Safe all neither" in said
    assert load_or_make_key(folder, copies) == key and len(caplog.records) == 1


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
    """I6."""
    used: list[int] = []
    for _ in range(5):
        store = CounterStore(tmp_path, KEY)
        store.reserve()
        used += [store.take_spare(), store.take(), store.take(), store.take_spare()]
    assert used == sorted(set(used))


@pytest.mark.parametrize("gone", ["main", "copy"])
def test_spares_outlive_a_place_that_takes_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, gone: str) -> None:
    """I6, I12: one place is full, the other is not; each try that fails must not cost the spares that are there."""
    store = CounterStore(tmp_path / "main", KEY, tmp_path / "copy")
    for folder in ("main", "copy"):
        (tmp_path / folder).mkdir()
    store.reserve()
    store_in = store._store_in

    def full(path: Path, value: int) -> None:
        if path.parent.name == gone:
            raise OSError(28, "No space left on device")
        store_in(path, value)

    used = [store.take_spare(), store.take()]
    with monkeypatch.context() as patch:
        patch.setattr(store, "_store_in", full)
        for _ in range(50):
            for do in (store.take, store.reserve):
                with pytest.raises(KeyProblem, match="No space left"):
                    do()
            used.append(store.take_spare())
    used += [store.take(), store.take_spare(), CounterStore(tmp_path / "main", KEY, tmp_path / "copy").take()]
    assert used == sorted(set(used))


def test_what_is_being_stored_is_no_spare_meanwhile(store: CounterStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """I6, I12: Safe all takes spares while another command waits for the disk."""
    store.reserve()
    used: list[int] = []

    def slowly(value: int, keep: Callable[[int], None] = store._store) -> None:
        used.extend(store.take_spare() for _ in range(2))
        keep(value)

    monkeypatch.setattr(store, "_store", slowly)
    for _ in range(5):
        used.append(store.take())
    assert len(used) == len(set(used)) == 15


def test_counter_files_from_an_older_copy_bring_no_value_back(tmp_path: Path, store: CounterStore) -> None:
    """I6: a folder taken back from a backup under a station that runs."""
    used = [store.take() for _ in range(20)]
    write_counter(tmp_path, 5)
    used += [store.take(), store.take_spare(), store.take()]
    assert used == sorted(set(used))


def test_each_key_has_its_own_counter(tmp_path: Path, store: CounterStore) -> None:
    store.take()
    assert CounterStore(tmp_path, KEY[::-1]).take() == 1


def test_limit_is_refused_and_never_wraps(tmp_path: Path, store: CounterStore) -> None:
    """I6."""
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

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(KeyProblem, match="No space left on device"):
        store.take()
    spares = [store.take_spare() for _ in range(SPARE)]
    assert spares == list(range(first + 1, first + 1 + SPARE))
    with pytest.raises(KeyProblem, match="no spare one is left"):
        store.take_spare()
    monkeypatch.undo()
    assert store.take() > spares[-1]


def test_lock_that_is_refused_is_one_sentence(store: CounterStore, monkeypatch) -> None:
    def refuse(*what):
        raise OSError(37, "No locks available")

    monkeypatch.setattr(counter_store.fcntl, "flock", refuse)
    with pytest.raises(KeyProblem, match=r"cannot be locked: No locks available\.$"):
        store.take()


def test_value_whose_sync_failed_is_never_given_again(tmp_path: Path, store: CounterStore, monkeypatch) -> None:
    """The file was replaced, but the folder could not be synced: after a crash the file may be old or new."""
    store.take()
    monkeypatch.setattr(counter_store, "sync_folder", lambda folder: (_ for _ in ()).throw(OSError(5, "Input/output error")))
    with pytest.raises(KeyProblem):
        store.take()
    monkeypatch.undo()
    following = store.take()
    assert following > 1
    assert CounterStore(tmp_path, KEY).take() > following


def test_file_is_synced_before_it_replaces_the_old_one(store: CounterStore, monkeypatch) -> None:
    calls: list[str] = []
    real_sync, real_replace = os.fsync, os.replace
    monkeypatch.setattr(os, "fsync", lambda fd: (calls.append("sync"), real_sync(fd))[1])
    monkeypatch.setattr(os, "replace", lambda a, b: (calls.append("replace"), real_replace(a, b))[1])
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

    monkeypatch.setattr(os, "fsync", hang)
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


# ---------------------------------------------------------------- two places


class Places:
    """A made key with its counter in both places."""

    def __init__(self, folder: Path) -> None:
        self.keys, self.copies = folder / "settings", folder / "data" / "counters"
        self.key = load_or_make_key(self.keys, self.copies)
        name = f"counter-{fingerprint(self.key)}"
        self.both = (self.keys / name, self.copies / name)

    def start(self) -> CounterStore:
        """The station starts (again)."""
        return CounterStore(self.keys, self.key, self.copies)


@pytest.fixture
def places(tmp_path: Path) -> Places:
    return Places(tmp_path)


def test_a_new_key_has_its_counter_in_both_places_from_the_first_instant(places: Places) -> None:
    assert [path.read_text() for path in places.both] == ["0\n", "0\n"]
    assert places.start().last() == 0 and places.start().take() == 1
    assert sorted(path.name for path in places.keys.iterdir()) == sorted(
        [KEY_FILE, places.both[0].name, f"{places.both[0].name}.lock"]
    )


def test_a_value_is_in_both_places_before_it_is_given(places: Places) -> None:
    store = places.start()
    for _ in range(3):
        value = store.take()
        assert all(int(path.read_text()) >= value for path in places.both)
        assert all(path.stat().st_mode & 0o777 == 0o600 for path in places.both)


@pytest.mark.parametrize("lost", [0, 1])
@pytest.mark.parametrize("how", ["gone", "folder gone", "empty", "nonsense", "too large"])
def test_whichever_place_is_lost_no_value_comes_back(places: Places, lost: int, how: str) -> None:
    used = [places.start().take() for _ in range(3)]
    path = places.both[lost]
    if how == "gone":
        path.unlink()
    elif how == "folder gone":
        key = (places.keys / KEY_FILE).read_bytes()
        for file in path.parent.iterdir():
            file.unlink()
        path.parent.rmdir()
        places.keys.mkdir(exist_ok=True)
        (places.keys / KEY_FILE).write_bytes(key)
    else:
        path.write_text({"empty": "", "nonsense": "x", "too large": str(COUNTER_MAX + 1)}[how])
    following = places.start().take()
    assert following > max(used)
    assert all(int(path.read_text()) >= following for path in places.both), "the lost place is made good"
    assert following < places.start().take() < following + 2 * SPARE + 2


@pytest.mark.parametrize("old", [0, 1])
def test_the_higher_of_the_two_wins(places: Places, old: int) -> None:
    """One folder was taken back from a backup."""
    backup = places.both[old].read_text()
    used = [places.start().take() for _ in range(5)]
    places.both[old].write_text(backup)
    assert places.start().take() > max(used)


@pytest.mark.parametrize("left", [0, 1])
def test_a_single_copy_that_may_be_old_is_passed_by_a_wide_gap(places: Places, left: int) -> None:
    """The settings are lost, and what is left comes from a backup made before the last commands."""
    used = [places.start().take()]
    backup = places.both[left].read_text()
    used += [places.start().take() for _ in range(20)]
    places.both[left].write_text(backup)
    places.both[1 - left].unlink()
    following = places.start().take()
    assert following > max(used) and following == int(backup) + GAP_AFTER_LOSS + 1
    assert places.start().take() < following + 2 * SPARE + 2, "the gap is made once"


def test_gap_ends_at_the_limit(places: Places) -> None:
    places.both[0].unlink()
    places.both[1].write_text(str(COUNTER_MAX - 5))
    with pytest.raises(KeyProblem, match="has reached its limit"):
        places.start().take()


@pytest.mark.parametrize("act", ["take", "reserve", "last"])
def test_a_key_whose_counters_are_both_lost_is_refused_until_rotated(places: Places, act: str) -> None:
    places.start().take()
    for path in places.both:
        path.unlink()
    with pytest.raises(KeyProblem, match="is lost: no number is sure to be unused.*blockhouse key rotate"):
        getattr(places.start(), act)()
    assert not any(path.exists() for path in places.both), "a refusal must not begin a counter"
    rotated, _ = rotate_key(places.keys, "20261125T120000Z", places.copies)
    assert CounterStore(places.keys, rotated, places.copies).take() == 1


def test_both_damaged_is_refused(places: Places) -> None:
    for path in places.both:
        path.write_text("x")
    with pytest.raises(KeyProblem, match="is damaged: 'x'. Make a new key with 'blockhouse key rotate'"):
        places.start().take()
    assert [path.read_text() for path in places.both] == ["x", "x"]


def test_a_key_copied_to_another_computer_without_its_counter_is_refused(places: Places, tmp_path: Path) -> None:
    places.start().take()
    other = tmp_path / "other"
    other.mkdir()
    (other / KEY_FILE).write_bytes((places.keys / KEY_FILE).read_bytes())
    (other / KEY_FILE).chmod(0o600)
    key = load_or_make_key(other, tmp_path / "other copies")
    with pytest.raises(KeyProblem, match="is lost"):
        CounterStore(other, key, tmp_path / "other copies").take()


def test_second_place_that_cannot_be_written_gives_no_value_and_costs_no_gap(places: Places) -> None:
    """It is written first: otherwise each try would pass the single one left by another gap."""
    store = places.start()
    first = store.take()
    before = places.both[0].read_text()
    for file in places.copies.iterdir():
        file.unlink()
    places.copies.rmdir()
    places.copies.write_text("a file where the folder was")
    for _ in range(3):
        with pytest.raises(KeyProblem, match="cannot be stored"):
            store.take()
    assert places.both[0].read_text() == before
    places.copies.unlink()
    assert store.take() > first


def test_both_are_synced_before_a_value_is_given_the_copy_first(places: Places, monkeypatch) -> None:
    store, calls = places.start(), []
    real = os.replace
    monkeypatch.setattr(os, "replace", lambda a, b: (calls.append(Path(b)), real(a, b))[1])
    store.take()
    assert calls == [places.both[1], places.both[0]]


def test_copies_lie_with_the_data_not_with_the_settings() -> None:
    assert copies_folder({"BLOCKHOUSE_HOME": "h"}) == Path("h/counters")
    assert not copies_folder({}).is_relative_to(default_folders({})[1])


# ---------------------------------------------------------------- what the vehicle has seen


def test_never_below_what_the_vehicle_has_seen(places: Places) -> None:
    store = places.start()
    store.reserve()
    assert store.raise_to(500)
    store.reserve()
    assert store.take_spare() == 501 and store.take() == 502
    assert places.start().take() > 502


def test_spares_below_what_the_vehicle_has_seen_are_not_given(places: Places) -> None:
    store = places.start()
    store.reserve()
    assert store.raise_to(SPARE - 1)
    assert store.take_spare() == SPARE
    assert store.raise_to(500)
    with pytest.raises(KeyProblem):
        store.take_spare()


def test_what_the_vehicle_says_of_our_own_commands_is_no_news(places: Places) -> None:
    store = places.start()
    used = [store.take() for _ in range(3)]
    assert not any(store.raise_to(value) for value in (0, -1, *used))
    assert store.take() == used[-1] + 1


def test_a_forged_high_value_cannot_use_up_the_counter(places: Places) -> None:
    """Telemetry has no tag."""
    store = places.start()
    for value in (COUNTER_MAX, COUNTER_MAX - 1, BELIEVED_AT_MOST + 1):
        assert not store.raise_to(value)
    assert store.take() == 1
    assert store.raise_to(BELIEVED_AT_MOST)
    assert store.take() == BELIEVED_AT_MOST + 1 and COUNTER_MAX - BELIEVED_AT_MOST > 1 << 30


# ---------------------------------------------------------------- rotating


def test_rotating_keeps_the_old_key_aside_and_its_counter_and_starts_anew(places: Places) -> None:
    used = [places.start().take() for _ in range(3)]
    old = (places.keys / KEY_FILE).read_bytes()
    new, kept = rotate_key(places.keys, "20261125T120000Z", places.copies)
    assert new != places.key and load_or_make_key(places.keys, places.copies) == new
    assert kept == places.keys / "command.key.20261125T120000Z" and kept.read_bytes() == old
    assert kept.stat().st_mode & 0o777 == (places.keys / KEY_FILE).stat().st_mode & 0o777 == 0o600
    assert CounterStore(places.keys, new, places.copies).take() == 1
    assert places.start().take() > max(used), "the old key put back goes on where it was"
    assert kept_keys(places.keys) == [kept]
    assert not [path for path in places.keys.iterdir() if ".new" in path.name]


@pytest.mark.parametrize("text", [b"", b"zz" * 32, b"\xff\x00"])
def test_a_key_that_cannot_be_used_can_be_rotated(places: Places, text: bytes) -> None:
    (places.keys / KEY_FILE).write_bytes(text)
    (places.keys / KEY_FILE).chmod(0o644)
    new, kept = rotate_key(places.keys, "1", places.copies)
    assert kept.read_bytes() == text and load_or_make_key(places.keys) == new


def test_rotating_twice_in_a_second_overwrites_nothing(places: Places) -> None:
    new, kept = rotate_key(places.keys, "1", places.copies)
    old = kept.read_bytes()
    with pytest.raises(KeyProblem, match="cannot be rotated: File exists"):
        rotate_key(places.keys, "1", places.copies)
    assert kept.read_bytes() == old and load_or_make_key(places.keys) == new


def test_nothing_to_rotate(tmp_path: Path) -> None:
    with pytest.raises(KeyProblem, match="There is no command key"):
        rotate_key(tmp_path, "1")
    assert list(tmp_path.iterdir()) == []


def test_a_key_made_meanwhile_by_another_process_counts(tmp_path: Path, monkeypatch) -> None:
    real = os.link
    others: list[bytes] = []

    def link(source: Path, target: Path) -> None:
        monkeypatch.setattr(os, "link", real)
        others.append(load_or_make_key(tmp_path))
        real(source, target)

    monkeypatch.setattr(os, "link", link)
    assert load_or_make_key(tmp_path) == others[0]
    assert CounterStore(tmp_path, others[0]).take() == 1


def test_safe_all_has_a_number_where_the_disk_gives_none(tmp_path: Path) -> None:
    """I6, I12: above all that is known, and for no command afterwards."""
    store = CounterStore(tmp_path, KEY)
    (tmp_path / f"counter-{fingerprint(KEY)}").mkdir()
    with pytest.raises(KeyProblem):
        store.take()
    assert [store.take_unkept(), store.take_unkept()] == [1, 2]
    store.raise_to(700)
    assert store.take_unkept() == 701
    (tmp_path / f"counter-{fingerprint(KEY)}").rmdir()
    used = [store.take(), store.take_spare()]
    assert min(used) > 701 and len(set(used)) == 2
    store.raise_to(COUNTER_MAX // 2)
    assert store.take_unkept() == COUNTER_MAX // 2 + 1


def test_a_number_above_the_spares_at_hand(tmp_path: Path) -> None:
    store = CounterStore(tmp_path, KEY)
    store.reserve()
    spares = [store.take_spare() for _ in range(SPARE)]
    assert store.take_unkept() > max(spares)
    assert store.take() > max(spares) + 1
