"""Judgements are made beside the event loop: none holds it up, and what they say late stands where it belongs."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from server.analysis import judging
from server.analysis.judgements.case import Case
from server.analysis.judgements.schedule import JUDGEMENTS
from server.demo import Demo, TwinOptions
from server.live import judge_thread
from server.live.station import Station
from server.review.review import open_review
from tests.server.flights import dictionary
from tests.server.live.test_station import assert_replay_is_what_was_shown, landed, make_station, until

Judge = Callable[[Case], object]


@dataclass(frozen=True)
class Beside:
    """A flight in which the lift-off was judged only once the station had raised an alarm over it."""

    station: Station
    path: Path
    loop: int  # the thread of the event loop
    threads: dict[str, set[int]]  # those of every judgement, by its subject


def judged_by(monkeypatch: pytest.MonkeyPatch, wrap: Callable[[str, Judge], Judge]) -> None:
    """Put something around every judgement; `wrap` gets its subject."""
    table = tuple(replace(one, judge=wrap(one.subject, one.judge)) for one in JUDGEMENTS)
    monkeypatch.setattr(judging, "JUDGEMENTS", table)


def fly(folder: Path, what: Callable[[Station, Demo], Awaitable[None]], rate: float = 40.0) -> tuple[Station, Path]:
    """Fly the twin from the pad, do something meanwhile, and close the station."""
    demo = Demo(dictionary(), folder / "keys", TwinOptions("bad-number", 1, rate, 6.0))

    async def go() -> tuple[Station, Path]:
        station = make_station(folder, demo.url)
        await station.start()
        demo.start()
        try:
            await what(station, demo)
        finally:
            path = await station.stop()
        return station, path

    try:
        return asyncio.run(go())
    finally:
        demo.stop()


def figures(station: Station) -> list[str]:
    """Keys of the figures shown so far."""
    return [entry["key"] for entry in station.store.journal if entry["topic"] == "figure"]


def alarms(station: Station) -> list[object]:
    """States of the alarm over the judging so far."""
    return [e["body"]["state"] for e in station.store.journal if (e["topic"], e["key"]) == ("alarm", "judging")]


@pytest.fixture(scope="module")
def beside(tmp_path_factory: pytest.TempPathFactory) -> Beside:
    """One flight for the tests that only look at what came of it."""
    threads: dict[str, set[int]] = {}
    loop, release = threading.get_ident(), threading.Event()

    def wrap(subject: str, judge: Judge) -> Judge:
        def told(case: Case) -> object:
            threads.setdefault(subject, set()).add(threading.get_ident())
            if subject == "lift-off" and threading.get_ident() != loop:
                release.wait(60.0)
            return judge(case)

        return told

    async def what(station: Station, demo: Demo) -> None:
        await until(lambda: alarms(station)[:1] == ["raised"], 30.0)
        assert "lift-off" in threads
        release.set()
        await until(lambda: alarms(station)[:2] == ["raised", "cleared"], 30.0)
        await until(lambda: landed(station), 30.0)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(judge_thread, "STANDS_STILL_AFTER_S", 0.3)
        judged_by(patch, wrap)
        try:
            # Slow enough that judging can catch up beside other tests: a vehicle that flies on for minutes is thinned out.
            station, path = fly(tmp_path_factory.mktemp("beside"), what, rate=15.0)
        finally:
            release.set()
    return Beside(station, path, loop, threads)


def test_no_judgement_runs_in_the_event_loops_thread(beside: Beside) -> None:
    assert {"lift-off", "swing", "apogee", "recovery", "descent"} <= beside.threads.keys()
    assert beside.loop not in set.union(*beside.threads.values())
    assert {"lift_off", "apogee", "recovery"} <= set(figures(beside.station))


def test_what_is_judged_late_belongs_to_the_moment_it_was_due(beside: Beside) -> None:
    """What raised the alarm is vehicle seconds of work here: much is told in between."""
    journal = beside.station.store.journal
    place = next(i for i, entry in enumerate(journal) if (entry["topic"], entry["key"]) == ("figure", "lift_off"))
    assert max(entry["rx"] for entry in journal[:place]) > journal[place]["rx"], "it was to come late"
    assert_replay_is_what_was_shown(beside.station, beside.path)


def test_judging_that_stands_still_is_an_alarm_until_it_has_caught_up(beside: Beside) -> None:
    told = alarms(beside.station)
    assert told[:2] == ["raised", "cleared"]
    # Beside other tests it may stand still again; each time it is told, and taken back before the next.
    assert told == (["raised", "cleared"] * len(told))[: len(told)]


def test_a_judgement_that_never_ends_keeps_neither_rows_nor_safe_all_from_leaving(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it held back is in no display, but a recording is opened with it; the station closes all the same."""
    monkeypatch.setattr(judge_thread, "JUDGED_WITHIN_S", 0.2)
    entered, release = threading.Event(), threading.Event()

    def wrap(subject: str, judge: Judge) -> Judge:
        def stuck(case: Case) -> object:
            entered.set()
            release.wait(60.0)
            return judge(case)

        return stuck if subject == "lift-off" else judge

    judged_by(monkeypatch, wrap)

    async def what(station: Station, demo: Demo) -> None:
        await until(entered.is_set, 30.0)
        before = station.store.tables["navigation"].next_index
        station.sign_in("Ada 1")
        assert station.act("Ada 1", "safe_all", {}).ok
        await until(lambda: demo.twin.truth()["commands_executed"] != [])
        await until(lambda: station.store.tables["navigation"].next_index > before + 500, 30.0)
        assert "lift_off" not in figures(station)

    try:
        _, path = fly(tmp_path, what)
    finally:
        release.set()
    review = open_review(path)
    assert review.session.closed
    assert {"lift_off", "apogee", "recovery"} <= {e.key for e in review.output.entries if e.topic == "figure"}


def test_what_is_not_judged_in_time_is_given_up_live_before_it_fills_the_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judge_thread, "WAITING_AT_MOST", 5)
    monkeypatch.setattr(judge_thread, "JUDGED_WITHIN_S", 0.2)
    release = threading.Event()

    def faults(station: Station) -> list[dict]:
        return [entry for entry in station.store.journal if entry["topic"] == "fault"]

    def wrap(subject: str, judge: Judge) -> Judge:
        def stuck(case: Case) -> object:
            release.wait(60.0)
            return judge(case)

        return stuck if subject == "lift-off" else judge

    judged_by(monkeypatch, wrap)

    async def what(station: Station, demo: Demo) -> None:
        await until(lambda: faults(station) != [] and demo.twin.landed, 30.0)
        release.set()
        assert station.judge.waiting == 0

    try:
        station, path = fly(tmp_path, what)
    finally:
        release.set()
    (fault,) = faults(station)
    assert fault["text"].startswith("the flight can no longer be judged live")
    assert not {"lift_off", "apogee"} & set(figures(station))
    shown = [e.text for e in open_review(path).output.entries if e.topic == "fault"]
    assert shown == [fault["text"]], "it is recorded that it was not shown"
