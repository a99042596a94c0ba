"""What the README shows of the library compiles as it stands there, in C and in C++."""

from __future__ import annotations

from itertools import takewhile
from pathlib import Path

import pytest

from tests.server.firmware.build import C99, CXX, LIBRARY, compiled, generated

README = Path(__file__).resolve().parents[3] / "README.md"
INDENT = "    "
BEGIN = "bh_begin(&vehicle"
MAIN = """
#include <stdio.h>
static const uint8_t blockhouse_key[BH_KEY_SIZE] = {0};
static uint32_t millis(void) { return 1u; }
static void radio_write(const uint8_t *data, size_t size) { (void)fwrite(data, 1, size, stdout); }
int main(void)
{
    uint64_t boot_id = 1;
"""


@pytest.mark.parametrize("command", [C99, CXX], ids=["c", "cpp"])
def test_the_snippet_compiles(command: list[str]) -> None:
    lines = README.read_text("utf-8").splitlines()
    first = lines.index(f'{INDENT}#include "blockhouse.h"')
    snippet = "\n".join(takewhile(lambda line: not line or line.startswith(INDENT), lines[first:]))
    outside, inside = snippet.split(BEGIN, 1)
    folder = generated("sandpiper")
    (folder / "readme.c").write_text(f"{outside}{MAIN}{BEGIN}{inside}\n    return 0;\n}}\n", "utf-8")
    compiled(command, folder, [*LIBRARY, "readme.c"], "readme.program", ["-lm"])
