"""Anything of the analysis made to raise on purpose, one at a time: it loses its own results, says so once, and no more."""

from __future__ import annotations

import logging
import pickle
import random
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import replace
from functools import cache
from importlib import import_module

import pytest

from server.analysis import judging as judging_module
from server.analysis.analysis import Analysis
from server.analysis.findings import rules
from server.analysis.judgements.schedule import JUDGEMENTS
from server.analysis.judging import Heard, Judging
from server.analysis.pipeline import Output, recorded_output
from server.analysis.trackers.output import TrackerOutput
from server.recording.records import Record
from server.telemetry.batch import Batch
from server.telemetry.decoding import LiveDecoder
from server.telemetry.timeline import Timeline
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, cut, live_output
from tests.server.flights import FACTS, dictionary, flown

TRACKERS = [part.name for part in Analysis(dictionary()).parts]
# This flight has one thrust; a later one is judged by the same loop, and never here.
SUBJECTS = list(dict.fromkeys(one.subject for one in JUDGEMENTS if not one.subject.endswith(("2", "3"))))
RULES = [rule.__name__ for rule in rules.RULES]


# Most of what a flight's computation takes; pure functions of their arguments.
FITS = (
    "server.analysis.judgements.swing.oscillation",
    "server.analysis.judgements.control.roll_authority",
    "server.analysis.judgements.ascent.apogee_of",
    "server.flight.motion.apogee_predictor.predict_apogee",
)
DECODE = LiveDecoder.decode


class OnPurpose(Exception):
    """Raised by what is made to raise."""


@cache
def records() -> tuple[Record, ...]:
    """A whole flight with a bad number, in pieces of up to some seconds, with marks between."""
    return tuple(cut(flown("bad-number").stream, random.Random(4), 20_000))


@cache
def healthy() -> Output:
    return whole()


def whole() -> Output:
    return recorded_output(dictionary(), records(), ORIGIN_NS, FACTS)


def live() -> Output:
    return live_output(dictionary(), list(records()), FACTS)


def without_fault(output: Output, key: str) -> Output:
    """Return an output without its one entry of a fault, which must be there exactly once."""
    faults = [entry for entry in output.entries if entry.topic == "fault"]
    assert [(entry.key, entry.severity) for entry in faults] == [(key, "caution")]
    assert faults[0].text.endswith(": OnPurpose: told so")
    return Output(output.rows, [entry for entry in output.entries if entry.topic != "fault"])


@pytest.fixture(autouse=True)
def tracebacks(caplog: pytest.LogCaptureFixture) -> Iterator[Callable[[], int]]:
    """Count the tracebacks logged since last asked."""
    caplog.set_level(logging.INFO)

    def count() -> int:
        found = sum(record.exc_info is not None for record in caplog.records)
        caplog.clear()
        return found

    yield count


@pytest.fixture(scope="module", autouse=True)
def fits() -> Iterator[None]:
    """The slow fits and decoding done once for the same numbers: what is tried here, of one flight, is who is still told."""
    with pytest.MonkeyPatch.context() as patch:
        for name in FITS:
            module, _, function = name.rpartition(".")
            place = import_module(module)
            patch.setattr(place, function, remembering(getattr(place, function)))
        patch.setattr(LiveDecoder, "decode", decoding_once())
        yield


def remembering(work: Callable[..., object]) -> Callable[..., object]:
    """Return a pure function that remembers what it gave, by the bytes of its arguments."""
    given: dict[bytes, object] = {}

    def remembered(*arguments: object, **named: object) -> object:
        key = pickle.dumps((arguments, named))
        if key not in given:
            given[key] = work(*arguments, **named)
        return given[key]

    return remembered


def decoding_once() -> Callable[[LiveDecoder, bytes, float], Batch]:
    """Return `LiveDecoder.decode` that remembers batch and timeline by all its decoder heard; nobody changes a batch."""
    given: dict[object, tuple[Batch, Timeline]] = {}
    heard_by: dict[LiveDecoder, object] = {}

    def decode(self: LiveDecoder, chunk: bytes, rx_s: float) -> Batch:
        heard = heard_by[self] = (heard_by.get(self), chunk, rx_s)
        if heard not in given:
            given[heard] = DECODE(self, chunk, rx_s), deepcopy(self.timeline)
        batch, timeline = given[heard]
        self.timeline = deepcopy(timeline)
        return batch

    return decode


def class_of(name: str) -> type:
    """Return the class of a tracker by its name."""
    return next(type(part.tracker) for part in Analysis(dictionary()).parts if part.name == name)


def raises(*_: object) -> None:
    raise OnPurpose("told so")


def says_nothing(*_: object) -> None:
    return None


@pytest.mark.parametrize("name", TRACKERS)
def test_a_tracker_that_raises_is_one_that_says_nothing(
    name: str, monkeypatch: pytest.MonkeyPatch, tracebacks: Callable[[], int]
) -> None:
    monkeypatch.setattr(class_of(name), "take", says_nothing)
    expected = whole()
    monkeypatch.setattr(class_of(name), "take", raises)
    told = live()
    assert tracebacks() == 1
    assert_same(without_fault(told, f"tracker {name}"), expected)
    assert_same(told, whole())
    assert tracebacks() == 1


@pytest.mark.parametrize("name", TRACKERS)
def test_a_tracker_that_raises_in_flight_keeps_what_it_told(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """It has half done its work by then: what is half done must not be seen."""
    moment = next(entry for entry in healthy().entries if (entry.topic, entry.key) == ("moment", "burnout"))
    rows = healthy().rows["navigation"]
    bad = int(rows.order[(rows.rx_s > moment.rx_s).argmax()])
    tracker = class_of(name)
    works = tracker.take

    def take(self: object, batch: Batch, out: TrackerOutput) -> None:
        works(self, batch, out)
        if batch.first_order <= bad < batch.first_order + len(batch.frame_rx_s):
            raises()

    monkeypatch.setattr(tracker, "take", take)
    told = live()
    assert_same(told, whole())
    (fault,) = [entry for entry in told.entries if entry.topic == "fault"]
    before = told.entries[: told.entries.index(fault)]
    early = [entry for entry in healthy().entries if entry.rx_s < fault.rx_s]
    assert [repr(entry) for entry in before if entry.rx_s < fault.rx_s] == [repr(entry) for entry in early] != []
    assert set(dictionary().packets) & set(healthy().rows) <= set(told.rows)
    assert len(told.rows["navigation"]) == len(healthy().rows["navigation"])


def test_judging_that_raises_around_its_judgements_is_put_aside(
    monkeypatch: pytest.MonkeyPatch, tracebacks: Callable[[], int]
) -> None:
    """At the piece in flight at which it raises: what it told before stays told, and nothing comes after."""
    moment = next(entry for entry in healthy().entries if (entry.topic, entry.key) == ("moment", "burnout"))
    rows = healthy().rows["navigation"]
    bad = int(rows.order[(rows.rx_s > moment.rx_s).argmax()])
    works = Judging._take

    def take(self: Judging, heard: Heard, out: TrackerOutput) -> None:
        works(self, heard, out)
        if heard.batch.first_order <= bad < heard.batch.first_order + len(heard.batch.frame_rx_s):
            raises()

    monkeypatch.setattr(Judging, "_take", take)
    told = live()
    assert tracebacks() == 1
    assert_same(told, whole())
    (fault,) = [entry for entry in told.entries if entry.topic == "fault"]
    assert (fault.key, fault.text) == ("tracker judging", "the flight can no longer be judged: OnPurpose: told so")
    assert not [e for e in told.entries if e.topic == "finding" and e.rx_s > fault.rx_s]
    assert [e.topic for e in told.entries if e.key == "lift_off" and e.rx_s < fault.rx_s] != []


@pytest.mark.parametrize("subject", SUBJECTS)
def test_a_judgement_that_raises_is_one_that_says_nothing(
    subject: str, monkeypatch: pytest.MonkeyPatch, tracebacks: Callable[[], int]
) -> None:
    def judged_by(judge: Callable[..., None]) -> None:
        table = [replace(one, judge=judge) if one.subject == subject else one for one in JUDGEMENTS]
        monkeypatch.setattr(judging_module, "JUDGEMENTS", tuple(table))

    judged_by(says_nothing)
    expected = whole()
    judged_by(raises)
    told = live()
    assert tracebacks() == 1
    assert_same(without_fault(told, f"judgement {subject}"), expected)
    assert_same(told, whole())
    assert tracebacks() == 1
    assert [e.text for e in told.entries if e.topic == "fault"] == [f"the {subject} could not be judged: OnPurpose: told so"]


@pytest.mark.parametrize("name", RULES)
def test_a_rule_that_raises_is_one_that_finds_nothing(
    name: str, monkeypatch: pytest.MonkeyPatch, tracebacks: Callable[[], int]
) -> None:
    def ruled_by(rule: Callable[..., None]) -> None:
        def own(*_: object) -> None:
            return rule()

        own.__name__ = name
        monkeypatch.setattr(rules, "RULES", tuple(own if one.__name__ == name else one for one in rules_as_they_are))

    rules_as_they_are = rules.RULES
    ruled_by(says_nothing)
    expected = whole()
    ruled_by(raises)
    told = live()
    assert tracebacks() == 1
    assert_same(without_fault(told, f"rule {name}"), expected)
    assert_same(told, whole())


def test_bytes_that_cannot_be_decoded_cost_their_own_frame(
    monkeypatch: pytest.MonkeyPatch, tracebacks: Callable[[], int]
) -> None:
    """Live and recorded alike, though a recording is otherwise decoded all at once."""
    rows = healthy().rows["navigation"]
    bad = int(rows.order[(rows.t > 20.0).argmax()])
    place, count = Timeline.place, [0]

    def failing(self: Timeline, epoch: int, time_ms: int, rx_s: float) -> float:
        count[0] += 1
        if count[0] in (bad, bad + 5):
            raises()
        return place(self, epoch, time_ms, rx_s)

    def anew(what: Callable[[], Output]) -> Output:
        count[0] = 0
        return what()

    monkeypatch.setattr(Timeline, "place", failing)
    monkeypatch.setattr(LiveDecoder, "decode", DECODE)
    told = anew(live)
    assert tracebacks() == 1
    (fault,) = [entry for entry in told.entries if entry.topic == "fault"]
    assert fault.text == "a part of what was received could not be decoded: OnPurpose: told so"
    total = sum(len(told.rows[packet]) for packet in dictionary().packets if packet in told.rows)
    assert total == sum(len(healthy().rows[packet]) for packet in dictionary().packets if packet in healthy().rows) - 2
    monkeypatch.setattr("server.analysis.pipeline.decode_recording", raises)
    assert_same(told, anew(whole))
