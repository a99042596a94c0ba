"""Lines for a terminal that is there, gone, or stands still."""

from __future__ import annotations

import threading

from server.live import terminal
from server.live.terminal import said_aside


def test_all_lines_are_said_in_order_before_the_end() -> None:
    said: list[str] = []
    with said_aside(said.append) as say:
        for number in range(100):
            say(str(number))
    assert said == [str(number) for number in range(100)]


def test_a_terminal_that_is_gone_raises_nothing_and_is_logged_once(caplog) -> None:
    def gone(line: str) -> None:
        raise BrokenPipeError(32, "Broken pipe")

    with caplog.at_level("INFO", "server.live.terminal"), said_aside(gone) as say:
        say("one")
        say("two")
    assert [record.message for record in caplog.records] == ["the terminal takes no lines any more: [Errno 32] Broken pipe"]


def test_a_terminal_that_stands_still_is_not_waited_for(monkeypatch) -> None:
    monkeypatch.setattr(terminal, "END_WITHIN_S", 0.01)
    monkeypatch.setattr(terminal, "WAITING_AT_MOST", 3)
    go_on, said = threading.Event(), []

    def stopped(line: str) -> None:
        said.append(line)
        go_on.wait(30.0)

    with said_aside(stopped) as say:
        for number in range(10):
            say(str(number))
    go_on.set()
    assert said[0] == "0"
