"""A flight whose vehicle speaks by compiled C: the same bytes, so the same columns and the same summary."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from protocol.link import Link
from protocol.vehicle import VehicleLink
from server.demo import TwinOptions, flying_twin
from server.firmware.process_link import EncoderProblem
from server.review.review import open_review
from server.review.summary import summarize
from server.settings import copies_folder
from server.uplink.key_file import load_or_make_key
from tests.browser.station import Process
from tests.server.firmware.build import SANDPIPER_2, program
from tests.server.flights import Flight, recorded

# Said on the pad before the flight; the third is refused on board, the last repeats the second byte for byte.
ORDERS = [
    ("camera_power", {"camera": 2, "on": 1}),
    ("ground_test", {"on": 1}),
    ("recovery_fire", {"channel": 1}),
    ("fin_move", {"fin": 1, "angle": -0.2618}),
    ("ground_test", {"on": 0}),
]


def fly(keys: Path, encoder: Path | None) -> Flight:
    """Fly one flight with commands on the pad; same seed, same boot id, whatever encodes."""
    with flying_twin(SANDPIPER_2, keys, TwinOptions("gusty-rail", 3, 1.0, 12.0, encoder)) as twin:
        assert (type(twin.link) is VehicleLink) == (encoder is None)
        ground = Link(SANDPIPER_2, twin._key)
        chunks = [(0.02 * step, twin.advance(0.02 * step)) for step in range(1, 60)]
        ground.receive_data(b"".join(chunk for _, chunk in chunks))
        for number, (command, args) in enumerate(ORDERS):
            frame = ground.send(command, args, number + 1, round(1000 * 0.02 * (59 + 100 * number)) + 5000)
            for repeat in range(2):
                twin.uplink(frame)
                begin = 60 + 50 * (2 * number + repeat)
                chunks += [(0.02 * step, twin.advance(0.02 * step)) for step in range(begin, begin + 50)]
        step = len(chunks)
        while not twin.landed:
            step += 1
            chunks.append((0.02 * step, twin.advance(0.02 * step)))
        assert len(twin.orders.executed) == 4
        return Flight(tuple((t, chunk) for t, chunk in chunks if chunk), twin.truth())


@pytest.fixture(scope="module")
def flights(tmp_path_factory: pytest.TempPathFactory) -> tuple[Flight, Flight]:
    flown = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("BLOCKHOUSE_HOME", str(tmp_path_factory.mktemp("home")))
        first = tmp_path_factory.mktemp("keys")
        load_or_make_key(first, copies_folder())
        for encoder in (None, program("sandpiper")):
            keys = first.with_name(f"keys-{len(flown)}")  # the same key, and its first start
            shutil.copytree(first, keys)
            flown.append(fly(keys, encoder))
    return flown[0], flown[1]


def test_every_byte_is_the_same(flights: tuple[Flight, Flight]) -> None:
    python, compiled = flights
    assert len(python.stream) > 50_000
    assert compiled.stream == python.stream
    assert compiled.truth == python.truth


def test_columns_and_summary_are_the_same(flights: tuple[Flight, Flight], tmp_path: Path) -> None:
    text = SANDPIPER_2.text
    reviews = [
        open_review(recorded(tmp_path, flight, name, dictionary=text))
        for flight, name in zip(flights, ("one", "two"), strict=True)
    ]
    tables = [review.output.rows for review in reviews]
    assert tables[0].keys() == tables[1].keys() and len(tables[0]) > 12
    for name, rows in tables[0].items():
        others = tables[1][name].columns
        assert rows.columns.keys() == others.keys()
        for column, values in rows.columns.items():
            same = values == others[column] if isinstance(values, list) else _equal(values, others[column])
            assert same, f"{name}.{column}"
    summaries = [dict(summarize(review)) for review in reviews]
    assert summaries[0] | {"session": "two", "parts": ["two.pcapng"]} == summaries[1]
    assert summaries[0]["landing_t"] is not None


def _equal(one: np.ndarray, other: np.ndarray) -> bool:
    return np.array_equal(one, other, equal_nan=True)


def test_the_demonstration_flies_with_a_compiled_encoder(tmp_path: Path) -> None:
    """The whole way: twin, port, station, recorder; in its own time, so the summary is compared with the truth."""
    flags = ["--scenario", "gusty-rail", "--rate", "10", "--ignite-after", "20", "--no-browser", "--http-port", "0"]
    demo = Process(tmp_path, "demo", "--encoder", str(program("sandpiper")), "--quit-when", "landed", *flags)
    try:
        assert demo.process.wait(120) == 0
    finally:
        lines = demo.stop()
    summary = summarize(open_review(Path(lines[-1])))
    assert summary["landing_t"] is not None and 80 < summary["apogee"]["height_m"] < 160
    # Nothing is asked of it, and on a busy machine the station's port opens after the vehicle has said that it starts.
    assert summary["damaged"] < 20 and set(summary["packets"]) >= set(SANDPIPER_2.packets) - {
        "answer",
        "startup",
        "rehearsal",
    }
    assert not [alarm for alarm in summary["alarms"] if "dictionary" in alarm["text"]]


def test_an_encoder_of_another_dictionary_is_refused(tmp_path: Path) -> None:
    with pytest.raises(EncoderProblem, match="another dictionary"):
        with flying_twin(SANDPIPER_2, tmp_path, TwinOptions("calm", 1, 1.0, 5.0, program("small"))):
            pass
