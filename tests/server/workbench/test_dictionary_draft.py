"""A draft from a log: it can be loaded, reads the log's own lines, and guesses only what the header says."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from protocol.dictionary_file import parse_dictionary
from protocol.events import PacketReceived
from server.logs.text_log import LogTableProblem
from server.workbench.dictionary_draft import draft_from_logs
from tests.protocol.helpers import heard

LOG = """time_ms,Altitude (m),press [Pa],accel z (m/s^2),Batt_V,state,flags,class,Altitude (m),remark
0,0.0,94123,9.81,8.05,2,-1,0.12345678901,1.0,ready
50,0.12,94122,9.80,8.05,2,300,0.2,1.5,
100,0.31,94120,9.83,8.04,3,-200,0.3,,go
"""


def drafted(folder: Path, text: str) -> str:
    """Draft from a log of this text."""
    path = folder / "My log.csv"
    path.write_text(text, "utf-8")
    return draft_from_logs([path]).text


def test_types_units_roles_time_and_rate(tmp_path: Path) -> None:
    dictionary = parse_dictionary(drafted(tmp_path, LOG))
    packet = dictionary.packets["log"]
    assert [(field.name, field.type) for field in packet.fields] == [
        ("time", "f64"),
        ("altitude", "f32"),
        ("press", "f64"),
        ("accel_z", "f32"),
        ("batt", "f32"),
        ("state", "i32"),
        ("flags", "i32"),
        ("class", "f64"),
        ("altitude_9", "f32"),
        ("remark", "text5"),
    ]
    assert {channel.name: channel.role for channel in packet.channels if channel.role} == {
        "altitude": "altitude_baro",
        "press": "pressure",
        "accel_z": "accel.a.z",
        "batt": "battery.voltage",
    }
    assert (packet.time, packet.rate_hz, packet.channel("time").unit) == ("time", 20.0, "ms")
    assert packet.channel("accel_z").description == "accel z (m/s^2)"


def test_the_draft_reads_the_log_it_was_made_from(tmp_path: Path) -> None:
    dictionary = parse_dictionary(drafted(tmp_path, LOG))
    rows = LOG.splitlines()[1:]
    events = [e for e in heard(dictionary, "\n".join([*rows, ""]).encode()) if isinstance(e, PacketReceived)]
    assert [event.time_ms for event in events] == [0, 50, 100]
    assert events[2].values[1] == 0.31 and events[2].values[9] == "go"


@pytest.mark.parametrize("separator", [";", "\t", "|"])
def test_other_separators(tmp_path: Path, separator: str) -> None:
    dictionary = parse_dictionary(drafted(tmp_path, LOG.replace(",", separator)))
    assert dictionary.framing.separator == separator and len(dictionary.packets["log"].fields) == 10


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "holds no line of values"),
        ("a,b\n", "no lines with as many values each"),
        ("a\n1\n", "no lines with as many values each"),
    ],
)
def test_what_is_no_log_is_one_sentence(tmp_path: Path, text: str, problem: str) -> None:
    with pytest.raises(LogTableProblem, match=problem):
        drafted(tmp_path, text)


def test_any_header_gives_a_dictionary_that_loads(tmp_path: Path) -> None:
    rng = random.Random(3)
    letters = 'abz ABZ019_-()[]/."#\u00b0\u03b4%\\{}='
    for _ in range(200):
        names = ["".join(rng.choice(letters) for _ in range(rng.randrange(1, 50))) for _ in range(rng.randrange(2, 9))]
        header = ",".join('"x' + name.replace('"', '""') + '"' for name in names)
        row = ",".join(rng.choice(["1", "-2.5", "word", "", "1e5", "70000"]) for _ in names)
        parse_dictionary(drafted(tmp_path, f"{header}\n{row}\n"))
