"""Ground and vehicle on the same phase: the whole table, the clocks, silence, and flights of the twin."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest

from protocol.dictionary_file import load_dictionary
from server.flight.motion.phase import Phase
from server.flight.motion.phase_agreement import (
    STALE_S,
    TOLERANCE_S,
    UNSETTLED_S,
    VEHICLE_PHASES,
    Disagreement,
    PhaseAgreement,
)
from tests.server.flight.twin_flights import Heard, heard

CLAIM = {Phase.PAD: "pad", Phase.BOOST: "boost", Phase.COAST: "coast", Phase.DESCENT: "descent", Phase.LANDED: "landed"}
PAIRS = [pair for pair in product(Phase, Phase) if pair[0] is not pair[1]]


def listen(watch: PhaseAgreement, claim: str, start_s: float, stop_s: float, step_s: float = 0.1) -> list[Disagreement]:
    count = round((stop_s - start_s) / step_s)
    changes = [watch.vehicle(start_s + i * step_s, claim) for i in range(count + 1)]
    return [change for change in changes if change is not None]


def test_the_table_knows_every_pair_and_every_word_of_the_dictionary() -> None:
    assert set(TOLERANCE_S) == set(PAIRS)
    channel = next(c for c in load_dictionary(None).packets["control"].channels if c.role == "vehicle_phase")
    assert {channel.text_of(value) for value in range(7)} == set(VEHICLE_PHASES)
    assert set(VEHICLE_PHASES.values()) == set(Phase)


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: f"{pair[0]}-{pair[1]}")
def test_each_pair_is_raised_after_its_own_patience_and_cleared_by_agreement(pair: tuple[Phase, Phase]) -> None:
    ours, theirs = pair
    watch, patience = PhaseAgreement(), TOLERANCE_S[pair]
    watch.ground(0.0, ours)
    assert listen(watch, CLAIM[ours], 0.0, 5.0) == []
    assert listen(watch, CLAIM[theirs], 5.1, 5.1 + patience - 0.05) == []
    (raised,) = listen(watch, CLAIM[theirs], 5.1 + patience, 5.1 + patience + 20.0)
    assert (raised.open, raised.ground, raised.vehicle, raised.claim) == (True, ours, theirs, CLAIM[theirs])
    assert raised.since_t == pytest.approx(5.1) and raised.lasted_s == pytest.approx(patience, abs=0.11)
    assert watch.open is raised
    (ended,) = listen(watch, CLAIM[ours], 40.0, 45.0)
    assert (ended.open, ended.t, ended.since_t) == (False, 40.0, raised.since_t) and watch.open is None


def test_ground_test_and_startup_are_the_pad() -> None:
    watch = PhaseAgreement()
    for place, claim in enumerate(("startup", "ground test", "pad")):
        assert listen(watch, claim, 30.0 * place, 30.0 * place + 29.0) == []


def test_a_disagreement_in_changing_ways_is_not_forgiven_forever() -> None:
    watch = PhaseAgreement()
    changes = []
    for i in range(100):
        changes.append(watch.vehicle(i * 0.1, "boost" if i // 8 % 2 else "coast"))
    raised = [change for change in changes if change is not None]
    assert len(raised) == 1 and raised[0].lasted_s == pytest.approx(1.5 + UNSETTLED_S, abs=0.11)


def test_agreement_in_between_starts_the_patience_anew() -> None:
    watch = PhaseAgreement()
    for start in range(20):
        assert listen(watch, "boost", 2.0 * start, 2.0 * start + 1.4) == []
        assert listen(watch, "pad", 2.0 * start + 1.5, 2.0 * start + 1.9) == []


def test_silence_raises_nothing_and_starts_the_clock_anew() -> None:
    watch = PhaseAgreement()
    assert watch.vehicle(10.0, "boost") is None
    assert watch.vehicle(10.0 + STALE_S + 0.1, "boost") is None
    assert len(listen(watch, "boost", 12.2, 14.0)) == 1


def test_an_open_disagreement_survives_silence() -> None:
    watch = PhaseAgreement()
    assert len(listen(watch, "boost", 0.0, 2.0)) == 1
    assert watch.vehicle(60.0, "boost") is None and watch.open is not None


@pytest.mark.parametrize(
    ("t", "claim"), [(float("nan"), "boost"), (float("inf"), "boost"), (5.0, "boost"), (11.0, "banana"), (11.0, "")]
)
def test_what_says_nothing_changes_nothing(t: float, claim: str) -> None:
    watch = PhaseAgreement()
    watch.vehicle(10.0, "pad")
    assert watch.vehicle(t, claim) is None
    assert listen(watch, "boost", 12.0, 13.4) == [] and len(listen(watch, "boost", 13.6, 13.7)) == 1


def changes_of(flight: Heard, delay_s: float = 0.0, deaf_to: str = "") -> list[Disagreement]:
    channel = next(c for c in load_dictionary(None).packets["control"].channels if c.role == "vehicle_phase")
    steps = [(t, 0, phase) for t, phase in flight.ground_phases]
    claims = flight.tables["control"][1]["phase"]
    steps += [(t + delay_s, 1, channel.text_of(value)) for t, value in zip(flight.time("control"), claims, strict=True)]
    watch, changes = PhaseAgreement(), []
    for t, who, said in sorted(steps):
        if who == 0:
            watch.ground(t, Phase(said))
        elif said != deaf_to:
            changes.append(watch.vehicle(t, said))
    return [change for change in changes if change is not None]


@pytest.mark.parametrize(
    ("scenario", "seed"), [("calm", 1), ("gusty-rail", 2), *[("thin-link", seed) for seed in range(1, 7)]]
)
def test_a_flight_of_the_twin_is_agreed_upon(scenario: str, seed: int) -> None:
    assert changes_of(heard(scenario, seed)) == []


def test_a_vehicle_that_is_two_seconds_late_is_told() -> None:
    changes = changes_of(heard("calm", 1), delay_s=2.2)
    assert [change.open for change in changes] == [True, False] * (len(changes) // 2) and len(changes) >= 4
    assert (changes[0].ground, changes[0].vehicle) == (Phase.BOOST, Phase.PAD)
    assert all(later.t >= sooner.t for sooner, later in pairwise(changes))


def test_claims_that_only_renew_may_be_taken_together() -> None:
    rng = np.random.default_rng(2)
    for _ in range(50):
        one, together = PhaseAgreement(), PhaseAgreement()
        for start in range(0, 60, 6):
            t = start + np.sort(rng.uniform(0.0, 6.0, 20))
            t[rng.random(20) < 0.1] = rng.choice([np.nan, 0.0])
            ground, claim = Phase(rng.choice(["pad", "boost"])), str(rng.choice(["pad", "boost"]))
            told = []
            for each in (one, together):
                each.ground(float(start), ground)
                changes, row = [], 0
                while row < len(t):
                    if each is together and each.agrees_with(claim):
                        each.renew(t[row:])
                        break
                    changes.append(each.vehicle(float(t[row]), claim))
                    row += 1
                told.append([change for change in changes if change is not None])
            assert told[0] == told[1]
