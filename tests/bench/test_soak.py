"""The soak in its short form, and that its tally would see each thing that must not be."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.bench.soak import Soak, proof_times_s, soaked


def test_500_commands_over_a_wretched_link_and_nothing_that_must_not_be() -> None:
    with soaked(500) as soak:
        tally, outcomes = soak.tally, soak.tally.outcomes()
    assert tally.must_be_nil() == dict.fromkeys(tally.must_be_nil(), 0)
    # It would prove nothing if nothing had been at stake.
    assert tally.sent >= 500 and tally.frames > 1.3 * tally.sent and tally.hazardous > 60
    assert 0.5 * tally.sent < tally.executions <= tally.sent
    assert soak.reboots > 5 and soak.restarts > 5
    assert outcomes["verified"] > 0.5 * tally.sent and outcomes["unknown"] > 0 and outcomes["abandoned"] > 0
    median_s, late_s = proof_times_s(tally.proof_s)
    assert 0.1 < median_s < 2.0 and median_s < late_s < 12.0
    radio = soak.world.vehicle.twin.radio
    for channel in (radio.up, radio.down):
        assert 0.2 < channel.frames_lost / channel.frames_sent < 0.4


def _twice(soak: Soak) -> None:
    soak.world.vehicle.executed.append(soak.world.vehicle.executed[-1])


def _one_act(soak: Soak) -> None:
    soak.tally._confirmed.clear()
    soak.tally._armed.clear()


SPOILS: dict[str, Callable[[pytest.MonkeyPatch], None]] = {}


@pytest.fixture
def spoiled(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[Soak], None]], dict[str, int]]:
    """Run a short soak in which something is spoiled after each look; return what must be nil and is not."""

    def run(spoil: Callable[[Soak], None]) -> dict[str, int]:
        real = Soak._one
        monkeypatch.setattr(Soak, "_one", lambda soak: (real(soak), spoil(soak)))
        with soaked(40) as soak:
            return {what: number for what, number in soak.tally.must_be_nil().items() if number}

    return run
