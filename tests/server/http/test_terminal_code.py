"""The QR code in the terminal, drawn as a terminal draws it and read back by a decoder that shares nothing with segno."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
import zxingcpp

from server.http.terminal_code import can_show, terminal_code

LINK = "http://127.0.0.1:8731/#operator=" + "aB3_-Qz9" * 5 + "xyz"
DARK, LIGHT = (0, 255), (255, 0)
"""Ground and ink of a terminal where nothing is set."""
LEVELS = {16: 0, 231: 255}  # black and white of the 256-color table: the ends of its 6 x 6 x 6 cube


def drawn(text: str, theme: tuple[int, int], pixels: int = 4) -> np.ndarray:
    """Return the screen as gray levels: a margin of the theme's ground, and the text as a terminal shows it."""
    lines = text.split("\n")
    width = max(len(re.sub("\x1b\\[[0-9;]*m", "", line)) for line in lines)
    screen = np.full((2 * len(lines) + 8, width + 8), theme[0], np.uint8)
    ground, ink = theme
    for row, line in enumerate(lines):
        column = 0
        for colors, reset, cell in re.findall("\x1b\\[38;5;(\\d+;48;5;\\d+)m|(\x1b\\[0m)|(.)", line):
            if colors:
                ink, ground = (LEVELS[int(number)] for number in colors.split(";48;5;"))
            elif reset:
                ground, ink = theme
            else:
                assert cell == "\u2580"
                screen[2 * row + 4, column + 4], screen[2 * row + 5, column + 4] = ink, ground
                column += 1
    return np.kron(screen, np.ones((pixels, pixels), np.uint8))


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=["dark", "light"])
@pytest.mark.parametrize("link", [LINK, "http://127.0.0.1:80/", LINK.replace("127.0.0.1:8731", "192.0.2.130:54321")])
def test_code_is_read_back_from_a_dark_and_a_light_terminal(link: str, theme: tuple[int, int]) -> None:
    found = zxingcpp.read_barcodes(drawn(terminal_code(link), theme), try_invert=False)
    assert [code.text for code in found] == [link]


def test_operators_link_fits_a_small_terminal() -> None:
    lines = terminal_code(LINK).split("\n")
    assert len(lines) <= 23 and all(line.count("\u2580") <= 79 for line in lines)


def test_colors_do_not_run_on_and_the_quiet_zone_is_light() -> None:
    text = terminal_code(LINK)
    lines = text.split("\n")
    assert not text.endswith("\n") and all(line.endswith("\x1b[0m") and line.startswith("\x1b[") for line in lines)
    modules = drawn(text, DARK, 1)[4:-4, 4:-4]
    for edge in (modules[:4], modules[-4:], modules[:, :4], modules[:, -4:]):
        assert (edge == 255).all()
    assert modules[4, 4] == 0, "the corner of the first finder pattern"


def test_too_long_a_link_is_a_plain_error() -> None:
    with pytest.raises(ValueError):
        terminal_code("x" * 3000)


class Stream(io.StringIO):
    """A stream as asked about."""

    def __init__(self, encoding: str | None, terminal: bool) -> None:
        super().__init__()
        self._encoding, self._terminal = encoding, terminal

    @property
    def encoding(self) -> str | None:
        """What it encodes to."""
        return self._encoding

    def isatty(self) -> bool:
        """Whether it is a terminal."""
        return self._terminal


@pytest.mark.parametrize(
    ("stream", "environment", "can"),
    [
        (Stream("utf-8", True), {"TERM": "xterm"}, True),
        (Stream("cp437", True), {}, True),
        (Stream("utf-8", False), {"TERM": "xterm"}, False),
        (Stream("utf-8", True), {"TERM": "dumb"}, False),
        (Stream("cp1252", True), {}, False),
        (Stream("ascii", True), {}, False),
        (Stream(None, True), {}, False),
        (Stream("no such encoding", True), {}, False),
    ],
)
def test_where_a_code_can_be_seen(stream: Stream, environment: dict[str, str], can: bool) -> None:
    assert can_show(stream, environment) is can
