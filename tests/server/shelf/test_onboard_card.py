"""A card written in the vehicle's own format, in one file or several, read through the session's dictionary."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from protocol.dictionary import Dictionary
from server.cli.cli import main
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_header import Software, make_header
from server.review.review import Review, open_review
from server.shelf.onboard_alignment import align_log
from server.shelf.onboard_card import as_text, read_files
from server.shelf.onboard_log import OnboardLog, read_log
from server.shelf.onboard_mapping import LogProblem
from server.shelf.onboard_store import OnboardStore
from server.shelf.shelf import Shelf
from server.twin.hop import HopVehicle
from tests.protocol.foreign.foreign_helpers import PLOVER, WREN


def chunks_of(dictionary: Dictionary) -> list[tuple[float, bytes]]:
    """A hop of a vehicle with a format of its own, in steps of 20 ms."""
    vehicle, out = HopVehicle(dictionary, 10.0), []
    for step in range(1, 4500):
        if chunk := vehicle.advance(0.02 * step):
            out.append((0.02 * step, chunk))
    return out


def session(folder: Path, dictionary: Dictionary) -> Review:
    """What the radio brought of the hop: every third chunk is lost."""
    clock = FakeClock()
    header = make_header(clock, software=Software("t"), dictionary=dictionary.text, vehicle={}, site={}, source="t")
    recorder = Recorder(folder, "flight", header, clock=clock)
    for number, (t, chunk) in enumerate(chunks_of(dictionary)):
        if number % 3:
            recorder.append(Kind.RECEIVED, header.monotonic_ns + round((t + 0.03) * 1e9), chunk)
    clock.advance(95.0)
    return open_review(recorder.close())


@pytest.mark.parametrize("dictionary", [PLOVER, WREN], ids=lambda one: one.name)
def test_a_card_in_the_vehicles_own_format_comes_home(tmp_path: Path, dictionary: Dictionary) -> None:
    review = session(tmp_path / "shelf", dictionary)
    data = b"".join(chunk for _, chunk in chunks_of(dictionary))
    cut = data.index(b"\n", len(data) // 2) + 1 if dictionary.framing.kind == "text" else len(data) // 2
    (tmp_path / "1.bin").write_bytes(b"\0\xff junk\n" + data[:cut])
    (tmp_path / "2.bin").write_bytes(data[cut:])
    log = read_files([tmp_path / "1.bin", tmp_path / "2.bin"], review.dictionary)
    assert log.of_role("pressure") is not None
    found = align_log(review, log)
    assert found.refused == "" and abs(found.to_reference(50.0) - 50.0) < 0.02

    # Kept beside the session as columns, and read again the same.
    place, store = Shelf(tmp_path / "shelf").place_of("flight"), OnboardStore()
    told = store.take_files(review, place, [tmp_path / "1.bin", tmp_path / "2.bin"], None)
    again = OnboardStore().report(review, place)
    assert (again.rows, again.columns, again.lost) == (told.rows, told.columns, told.lost)
    assert min(one.share for one in told.lost) > 0.2 and all(one.filled for one in told.lost)


def test_several_text_files_become_one_log(tmp_path: Path) -> None:
    t = np.arange(0.0, 20.0, 0.1)
    (tmp_path / "a.csv").write_text("\n".join(["t,pressure [hPa]", *[f"{x:.1f},950.5" for x in t], "5.05 main out"]))
    (tmp_path / "b.csv").write_text("\n".join(["time_ms,acc_z [g]", *[f"{1000 * x + 50:.0f},1.0" for x in t]]))
    log = read_files([tmp_path / "a.csv", tmp_path / "b.csv"], PLOVER)
    assert len(log.t) == 400 and (np.diff(log.t) >= 0.0).all()
    pressure, force = log.of_role("pressure"), log.of_role("accel.a.z")
    assert np.nanmean(pressure.values) == pytest.approx(95050.0) and np.isfinite(pressure.values).sum() == 200
    (tmp_path / "c.csv").write_text(as_text(log)[0])
    again = read_log(tmp_path / "c.csv", as_text(log)[1])
    assert again.events == ((5.05, "main out"),) and len(again.t) == 400
    assert again.of_role("pressure").values.tolist()[::2] == pressure.values.tolist()[::2]
    assert np.nanmean(force.values) == pytest.approx(9.80665) and np.isfinite(force.values).sum() == 200


def test_what_is_neither_text_nor_the_vehicles_format_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "x.bin").write_bytes(bytes(range(256)) * 20)
    with pytest.raises(LogProblem, match="holds no packet of Plover"):
        read_files([tmp_path / "x.bin"], replace(PLOVER, vehicle="Plover"))


def test_the_command_takes_several_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    review = session(tmp_path / "shelf", PLOVER)
    data = b"".join(chunk for _, chunk in chunks_of(PLOVER))
    (tmp_path / "1.bin").write_bytes(data[: len(data) // 2])
    (tmp_path / "2.bin").write_bytes(data[len(data) // 2 :])
    files = [str(tmp_path / "1.bin"), str(tmp_path / "2.bin")]
    assert main(["onboard", str(review.session.path), *files]) == 0
    assert (tmp_path / "shelf" / "flight.onboard.csv").is_file()
    assert "pressure" in capsys.readouterr().out
    assert isinstance(OnboardStore().kept(Shelf(tmp_path / "shelf").place_of("flight"))[0], OnboardLog)
