"""The sheet's fragment is TOML that reads back, and the header compiles with nothing to warn about."""

from __future__ import annotations

import subprocess
import tomllib
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from server.calibrating.guide import Options
from server.calibrating.result_files import check_serial, header_text, table_of, toml_text
from server.flight.calibration.estimate import Calibration, Estimated, UncalibratedFault

BIAS = np.array([0.125, -1e-7, 3.0])
MATRIX = np.array([[1.0, 0.25, 0.0], [0.0, 1.0, 1e-5], [0.0, 0.0, 0.5]])
ACCEL = Calibration(
    "accelerometer",
    (Estimated("bias", BIAS, BIAS**2, "m/s2"), Estimated("matrix", MATRIX, MATRIX * 0.01)),
    ('Lay "it" flatter.',),
)
BARO = Calibration("barometer", (Estimated("scale", np.array([1.0]), np.array([0.01])),))
TABLES = {
    "accelerometer_a": table_of(Options("accelerometer"), ACCEL, "SN-12", date(2026, 5, 1)),
    "barometer": table_of(Options("barometer"), BARO, "SN-12", date(2026, 5, 2)),
}
PROGRAM = """
#include <stdio.h>
#include "calibration.h"
int main(void) {
    printf("%s %s %.9g %.9g %.9g\\n", calibration_accelerometer_a_unit_serial, calibration_accelerometer_a_date,
           (double)calibration_accelerometer_a_bias[1], (double)calibration_accelerometer_a_matrix[1][2],
           (double)calibration_barometer_scale);
    return 0;
}
"""


def test_the_fragment_reads_back_with_date_serial_values_and_sigmas() -> None:
    told = tomllib.loads(toml_text(TABLES))["calibration"]
    accel = told["accelerometer_a"]
    assert accel["date"] == date(2026, 5, 1) and accel["unit_serial"] == "SN-12" and accel["bias_unit"] == "m/s2"
    assert accel["bias"] == pytest.approx(BIAS.tolist()) and accel["bias_sigma"] == pytest.approx((BIAS**2).tolist())
    assert accel["matrix"] == MATRIX.tolist() and accel["notes"] == ['Lay "it" flatter.']
    assert told["barometer"]["scale"] == 1.0
    assert toml_text(told) == toml_text(TABLES)


@pytest.mark.parametrize("standard", ["c99", "c11"])
def test_the_header_compiles_and_carries_the_numbers(tmp_path: Path, standard: str) -> None:
    (tmp_path / "calibration.h").write_text(header_text(TABLES))
    (tmp_path / "main.c").write_text(PROGRAM)
    flags = [f"-std={standard}", "-Wall", "-Wextra", "-Wpedantic", "-Werror", "-Wno-unused-const-variable"]
    subprocess.run(["gcc", *flags, "main.c", "-o", "main"], cwd=tmp_path, check=True, timeout=60)
    told = subprocess.run([tmp_path / "main"], capture_output=True, text=True, check=True, timeout=10).stdout.split()
    assert told[:2] == ["SN-12", "2026-05-01"]
    assert [float(one) for one in told[2:]] == pytest.approx([-1e-7, 1e-5, 1.0], rel=1e-6)


@pytest.mark.parametrize("serial", ["", "a" * 41, 'x"; system("', "a */ b", "ä"])
def test_a_serial_that_could_leave_its_place_is_refused(serial: str) -> None:
    with pytest.raises(UncalibratedFault, match="must be 1 to 40"):
        check_serial(serial)
    with pytest.raises(UncalibratedFault):
        header_text({"barometer": {**TABLES["barometer"], "unit_serial": serial}})
