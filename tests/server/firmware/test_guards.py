"""Compilers told to bend arithmetic are refused with a sentence, by every one of the four and in C99 as in C++."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.server.firmware.build import C99, CXX, generated

CLANG, CLANGXX = ["clang", *C99[1:]], ["clang++", *CXX[1:]]
COMPILERS = {"gcc": C99, "g++": CXX, "clang": CLANG, "clang++": CLANGXX}
NO_NUMBER = "what is not a number would pass for one"
ONE_STEP = "values would go out one step off"
# Not every compiler knows every flag, nor tells the preprocessor of it.
REFUSED = [
    *((name, flag, NO_NUMBER) for name in COMPILERS for flag in ("-ffast-math", "-Ofast", "-ffinite-math-only")),
    *((name, flag, ONE_STEP) for name in ("gcc", "g++") for flag in ("-freciprocal-math", "-funsafe-math-optimizations")),
    ("gcc", "-fsingle-precision-constant", "bh_compile_without_single_precision_constants"),
    ("g++", "-fsingle-precision-constant", "bh_compile_without_single_precision_constants"),
]


def compile_with(command: list[str], *flags: str) -> subprocess.CompletedProcess[str]:
    whole = [*command, "-fsyntax-only", *flags, "bh_wire.c"]
    return subprocess.run(whole, cwd=generated("small"), capture_output=True, text=True)


@pytest.mark.parametrize(("compiler", "flag", "said"), REFUSED)
def test_a_compiler_that_bends_arithmetic_is_refused(compiler: str, flag: str, said: str) -> None:
    done = compile_with(COMPILERS[compiler], flag)
    assert done.returncode != 0 and said in done.stderr, done.stderr


@pytest.mark.parametrize("compiler", COMPILERS)
@pytest.mark.parametrize("flags", [["-O2"], ["-O3"], ["-Os"]], ids=" ".join)
def test_a_sound_one_is_not(compiler: str, flags: list[str]) -> None:
    done = compile_with(COMPILERS[compiler], *flags)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("compiler", COMPILERS)
@pytest.mark.parametrize(
    ("macro", "said"),
    [
        ("DBL_MANT_DIG=24", "double must have the 64 bits of IEEE 754"),
        ("FLT_MANT_DIG=16", "float must have the 32 bits of IEEE 754"),
    ],
)
def test_a_double_of_four_bytes_is_refused(compiler: str, macro: str, said: str, tmp_path: Path) -> None:
    """As boards have them whose compiler makes double a float: their float.h says so, and here one of ours does."""
    name, digits = macro.split("=")
    (tmp_path / "float.h").write_text(f"#include_next <float.h>\n#undef {name}\n#define {name} {digits}\n")
    command = [flag for flag in COMPILERS[compiler] if flag != "-Wpedantic"]
    done = compile_with(command, f"-I{tmp_path}")
    assert done.returncode != 0 and said in done.stderr, done.stderr


@pytest.mark.parametrize("number", ["0", "4294967296", "-1"])
def test_an_identity_no_vehicle_can_have_is_refused(number: str) -> None:
    done = subprocess.run(
        [*C99, "-fsyntax-only", f"-DBH_VEHICLE_ID={number}", "bh_link.c"],
        cwd=generated("small"),
        capture_output=True,
        text=True,
    )
    assert done.returncode != 0 and "BH_VEHICLE_ID must be 1..4294967295" in done.stderr


def test_a_board_of_its_own_is_given_another_identity(tmp_path: Path) -> None:
    (tmp_path / "who.c").write_text(
        '#include <stdio.h>\n#include "blockhouse.h"\nint main(void) { return BH_VEHICLE_ID != 77u; }\n'
    )
    command = [*C99, f"-I{generated('small')}", "-DBH_VEHICLE_ID=77u", "-o", "who", "who.c"]
    subprocess.run(command, cwd=tmp_path, check=True)
    assert subprocess.run(["./who"], cwd=tmp_path).returncode == 0
