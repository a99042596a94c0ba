"""The sample sessions: small, whole, showing what their README says, and still computed to their stored summaries."""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path

import pytest

from server.review.review import Review, open_review
from server.review.summary import summarize, summary_json
from server.shelf.shelf import Shelf
from tests.make_samples import FOLDER, SUMMARY, flights, record

NAMES = ("bench-trial", "calm", "gusty-bad-number", "thin-link")
AT_MOST = 1_500_000


@cache
def opened(name: str) -> Review:
    """Open a sample once for all tests."""
    return open_review(FOLDER / f"{name}.pcapng")


# What a number is worth, by the unit its name ends with: far below what any sensor or sentence here can tell apart, far
# above the last bits in which one processor's linear algebra differs from another's. Common practice, no source.
WORTH: tuple[tuple[str, float], ...] = (
    ("_m_s", 1e-4),
    ("_m_s2", 1e-4),
    ("_deg", 1e-4),
    ("_rad", 1e-6),
    ("_ms", 1e-3),
    ("_m", 1e-4),
    ("_s", 1e-5),
    ("_t", 1e-5),
    (".t", 1e-5),
)
SHARE = 1e-7  # and of any number, this share


def worth(place: str) -> float:
    """Return by how much a number at a place of a summary may differ."""
    name = place.rstrip("0123456789[]")
    return next((value for ending, value in WORTH if name.endswith(ending)), 1e-9)


def differences(stored: object, now: object, place: str = "") -> list[str]:
    """Return every place at which two summaries differ by more than a number there is worth."""
    if isinstance(stored, dict) and isinstance(now, dict):
        keys = [*stored, *[key for key in now if key not in stored]]
        return [d for key in keys for d in differences(stored.get(key), now.get(key), f"{place}.{key}")]
    if isinstance(stored, list) and isinstance(now, list) and len(stored) == len(now):
        return [d for i, pair in enumerate(zip(stored, now, strict=True)) for d in differences(*pair, f"{place}[{i}]")]
    if (
        isinstance(stored, float)
        and isinstance(now, float)
        and math.isclose(stored, now, rel_tol=SHARE, abs_tol=worth(place))
    ):
        return []
    return [] if stored == now else [f"{place}: stored {stored!r}, now {now!r}"]


def test_there_are_four_and_all_are_small() -> None:
    assert sorted(path.stem for path in FOLDER.glob("*.pcapng")) == list(NAMES)
    assert sorted(path.name for path in FOLDER.glob("*.json")) == [f"{name}{SUMMARY}" for name in NAMES]
    assert all((FOLDER / f"{name}.pcapng").stat().st_size < AT_MOST for name in NAMES)
    readme = (FOLDER / "README.md").read_text("utf-8")
    assert all(f"`{name}.pcapng`" in readme for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_the_stored_summary_is_computed_again(name: str) -> None:
    """If it differs on purpose: python -m tests.make_samples --summaries, and look at what changed."""
    stored = json.loads((FOLDER / f"{name}{SUMMARY}").read_text("utf-8"))
    assert differences(stored, json.loads(summary_json(summarize(opened(name))))) == []


def test_a_changed_number_would_be_seen() -> None:
    assert differences({"a": [1.0, {"b": 2}]}, {"a": [1.0, {"b": 2}]}) == []
    assert differences({"a": 1.0}, {"a": 1.000001}) and differences({"a": 1}, {}) and differences([1], [1, 2])
    assert differences({"height_m": 100.0}, {"height_m": 100.001}) and differences(
        {"lift_off_t": 1.0}, {"lift_off_t": 1.0001}
    )


def test_the_last_bits_of_a_processor_are_no_change() -> None:
    """Seen: four numbers of the swing fit apart by 2e-9 between two kernels of one linear algebra library."""
    assert differences({"period_s": 0.6181}, {"period_s": 0.6181 * (1 + 2e-9)}) == []
    assert differences({"figures": {"swing": {"sigma": 0.2}}}, {"figures": {"swing": {"sigma": 0.2 * (1 + 5e-9)}}}) == []


@pytest.mark.parametrize("name", NAMES)
def test_each_is_whole_and_invented(name: str) -> None:
    session = opened(name).session
    assert session.closed and not session.damage and session.missing == 0
    assert session.header.vehicle["invented"] and session.header.site["name"] == "Mossbank Field"


def test_each_shows_what_it_is_for() -> None:
    summaries = {name: summarize(opened(name)) for name in NAMES}
    gusty, calm, thin, bench = (summaries[name] for name in ("gusty-bad-number", "calm", "thin-link", "bench-trial"))
    assert gusty["nonfinite_frames"] == 1 and gusty["greatest_tilt_deg"] > 30.0
    assert gusty["apogee"]["height_m"] < 0.8 * calm["apogee"]["height_m"]
    assert calm["nonfinite_frames"] == 0 and calm["landing_t"] is not None
    assert thin["lost"] > 0.15 * sum(thin["packets"].values())
    assert bench["lift_off_t"] is None and len(bench["commands"]) > 80
    assert any(entry.topic == "trial" for entry in opened("bench-trial").output.entries)


def test_the_shelf_offers_them(tmp_path: Path) -> None:
    items = Shelf(tmp_path, samples=FOLDER).items()
    assert sorted(str(item["name"]) for item in items) == list(NAMES)
    assert all(item["sample"] and item["openable"] and item["sentence"] is None for item in items)


def test_a_flight_is_recorded_the_same_again(tmp_path: Path) -> None:
    """The same code makes the same bytes: twice here, since the twin may have changed since the samples were made."""
    sample = flights()[1]
    one, two = (record(sample, tmp_path / folder).read_bytes() for folder in ("one", "two"))
    assert one == two and len(one) < AT_MOST
