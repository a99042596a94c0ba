"""Every type of field in C: what `blockhouse dictionary check` passes compiles without a warning and goes round."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from protocol.errors import DictionaryError
from server.firmware.generator import firmware_texts
from server.firmware.process_link import Program
from server.workbench.dictionary_lint import findings
from server.workbench.lint_remark import FAULT
from tests.protocol.all_types import random_dictionary
from tests.protocol.helpers import heard
from tests.server.firmware.agreement import Pair
from tests.server.firmware.build import ALL_TYPES, CXX, LIBRARY, TARGETS, compiled
from tests.server.firmware.type_agreement import WERROR, built, compare, dictionaries


@settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 10**9), floats=st.booleans())
def test_what_the_check_passes_compiles_and_goes_round(seed: int, floats: bool) -> None:
    try:
        dictionary = random_dictionary(seed, packets=2)
    except DictionaryError:
        assume(False)
    assume(not any(remark.severity == FAULT for remark in findings(dictionary)))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "firmware"
        with Program(built(dictionary, folder, float_members=floats)) as machine:
            compare(dictionary, machine, 50, seed, floats)
        for source in (*LIBRARY, "host/bh_host.c"):
            compiled([*WERROR, "-c"], folder, [source], "object.o")
        for source in LIBRARY:
            compiled([*CXX, "-c"], folder, [source], "object.o")


@pytest.mark.parametrize("target", TARGETS)
def test_c_equals_python_on_every_instruction_set(target: str, tmp_path: Path) -> None:
    for number, dictionary in enumerate(dictionaries(1000, 2)):
        path = built(dictionary, tmp_path / f"firmware_{number}", target, number == 1)
        with Program(path, TARGETS[target].runner) as machine:
            assert compare(dictionary, machine, 500, number, number == 1) > 0


def test_the_ground_reads_what_c_says_of_every_type(tmp_path: Path) -> None:
    """Arrays, bytes, truth values and texts of an enum, out of the struct and back."""
    values = {channel.name: 1.0 for channel in ALL_TYPES.packets["types"].channels}
    values |= {"raw": "01020304", "state": "armed", "thermistor_2": 260.0, "accel_z": -2.5, "signed": -9, "a_i24": -0.5}
    values |= {f"thermistor_{place}": 200.0 + place for place in (0, 1, 3)}
    with Program(built(ALL_TYPES, tmp_path / "firmware")) as machine:
        frame = Pair(ALL_TYPES, machine).c.frame("types", 5, values)
    event = heard(ALL_TYPES, frame)[-1]
    got = dict(zip(event.packet.channel_names, event.values, strict=True))
    assert got == pytest.approx(values | {"state": 3.0, "raw": got["raw"]}) and got["raw"] == "01020304"


def test_the_structs_say_what_a_builder_writes() -> None:
    header = firmware_texts(ALL_TYPES)["bh_dictionary.h"]
    for line in (
        "uint32_t a_u24;", "int64_t a_i64;", "float a_f16;", "bool a_bool;", "uint8_t raw[4];", "double accel[3];",
        "double thermistor[4];", "int8_t signed_;", "double scaled;", "BH_TYPES_STATE_ARMED = 3,",
        "BH_TYPES_STATE_FAILED = 17,",
    ):  # fmt: skip
        assert f"    {line}" in header, line
    assert "float accel[3];" in firmware_texts(ALL_TYPES, float_members=True)["bh_dictionary.h"]
