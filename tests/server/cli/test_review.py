"""The command line's tools for afterwards, as a person calls them."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.cli.cli import main
from server.cli.review import place_of
from server.review.review import open_review
from server.shelf.onboard_mapping import load_mapping
from server.shelf.onboard_report import report_text
from server.shelf.onboard_store import OnboardStore
from server.shelf.session_notes import read_sidecar, write_sidecar
from tests.server.flights import recorded
from tests.server.shelf.test_onboard_alignment import logged


@pytest.fixture
def both(tmp_path: Path) -> tuple[Path, Path]:
    """A recorded flight and the card of the vehicle that flew it."""
    flight, text = logged("calm", 1, 31.7, 4e-5)
    (tmp_path / "card.csv").write_text(text)
    return recorded(tmp_path, flight, "mine"), tmp_path / "card.csv"


def test_onboard_prints_the_alignment_and_keeps_the_log(both, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session, card = both
    assert main(["onboard", str(session), str(card)]) == 0
    said = capsys.readouterr().out
    assert "recording time = 31." in said and "one sigma" in said and "% not heard" in said
    assert (tmp_path / "mine.onboard.csv").read_text() == card.read_text()
    held = read_sidecar(tmp_path / "mine.notes.json")["onboard"]
    assert held["file"] == "card.csv" and abs(held["offset_s"] - 31.7) < 0.01 and str(tmp_path) not in str(held)
    assert load_mapping(tmp_path / "mine.onboard.toml").time == "time [ms]"


def test_a_dry_run_keeps_nothing_and_events_are_told(both, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session, card = both
    (tmp_path / "events.txt").write_text("-15000 something happened\n")
    before = sorted(p.name for p in tmp_path.iterdir())
    assert main(["onboard", str(session), str(card), "--events", str(tmp_path / "events.txt"), "--dry-run"]) == 0
    assert "event at 16.70 s: something happened" in capsys.readouterr().out
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_events_are_kept_with_the_log_and_shown_again(both, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session, card = both
    (tmp_path / "events.txt").write_text("-15000 something happened\n")
    assert main(["onboard", str(session), str(card), "--events", str(tmp_path / "events.txt")]) == 0
    said = capsys.readouterr().out
    assert "event at 16.70 s: something happened" in said
    (tmp_path / "events.txt").unlink()
    card.unlink()
    assert report_text(OnboardStore().report(open_review(session), place_of(session))) == said.rstrip("\n")


def test_a_mapping_is_shown_changed_and_used(both, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session, card = both
    assert main(["onboard", str(session), str(card), "--show-map"]) == 0
    text = capsys.readouterr().out
    (tmp_path / "map.toml").write_text(text.replace('role = "accel.a.z"', 'role = ""'))
    assert main(["onboard", str(session), str(card), "--map", str(tmp_path / "map.toml"), "--dry-run"]) == 0
    assert "compared: pressure" in capsys.readouterr().out


def test_what_cannot_be_aligned_or_read_is_said(both, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session, card = both
    (tmp_path / "flat.csv").write_text("time,alt\n" + "".join(f"{i / 10},5\n" for i in range(500)))
    assert main(["onboard", str(session), str(tmp_path / "flat.csv")]) == 3
    assert "not aligned: the two have no moving signal" in capsys.readouterr().out
    assert not (tmp_path / "mine.onboard.csv").exists(), "what is refused is not kept"
    (tmp_path / "bad.csv").write_text("time,alt\n0,x1\n")
    (tmp_path / "bad.toml").write_text("[time]\ncolumn = 'time'\n[columns.alt]\nrole = 'altitude_baro'\nunit = 'm'\n")
    assert main(["onboard", str(session), str(tmp_path / "bad.csv"), "--map", str(tmp_path / "bad.toml")]) == 1
    assert capsys.readouterr().err == "blockhouse: bad.csv, line 2, column 'alt': 'x1' is no number.\n"


@pytest.mark.parametrize("kind", ["csv", "parquet", "kml", "gpx"])
def test_every_format_is_written(both, tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str) -> None:
    out = tmp_path / f"out.{kind}"
    assert main(["export", str(both[0]), "--format", kind, "--out", str(out)]) == 0
    written = [Path(line) for line in capsys.readouterr().out.splitlines()]
    assert all(path.stat().st_size for path in written)
    names = [path.name for path in written]
    assert names == [out.name] if kind in ("kml", "gpx") else {f"imu_a.{kind}", f"journal.{kind}"} <= set(names)


def test_an_export_that_cannot_be_is_said(both, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    flight, _ = logged("calm", 1, 31.7, 4e-5)
    nowhere = recorded(tmp_path, flight, "nowhere", site={})
    assert main(["export", str(nowhere), "--format", "gpx", "--out", str(tmp_path / "x.gpx")]) == 1
    assert "no latitude and longitude" in capsys.readouterr().err and not (tmp_path / "x.gpx").exists()
    with pytest.raises(SystemExit):
        main(["export", str(both[0])])


def test_a_report_has_the_label_and_the_alignment(both, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session, card = both
    assert main(["onboard", str(session), str(card)]) == 0
    write_sidecar(tmp_path / "mine.notes.json", {"label": "Maiden"})
    assert main(["report", str(session), str(tmp_path / "out.html")]) == 0
    html = (tmp_path / "out.html").read_text()
    assert "<h1>Maiden</h1>" in html and "An onboard log lies beside it: recording time = 31." in html
    assert capsys.readouterr().out.endswith("out.html\n")
