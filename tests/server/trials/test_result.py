"""The score as numbers and words: against numpy's own percentiles and histograms, and a trial that really ran."""

from __future__ import annotations

import json
import random

import numpy as np
import pytest

from server.flight.proportion import upper_bound
from server.trials.result import _beyond_line, distribution, histogram, histogram_lines, result_of, result_text
from tests.server.trials.test_trial import Bent, armed_by_itself, swept
from tests.server.trials.trial_world import ARM_SAFE, PING, TrialWorld


def times(count: int, seed: int = 1) -> list[float]:
    rng = random.Random(seed)
    return [0.15 + rng.expovariate(10.0) for _ in range(count)]


@pytest.mark.parametrize("count", [1, 2, 3, 19, 20, 21, 99, 100, 101, 1000])
def test_percentiles_are_numpys_nearest_rank(count: int) -> None:
    values = times(count, count)
    found = distribution(values)
    for name, share in (("median", 0.5), ("p95", 0.95), ("p99", 0.99), ("greatest", 1.0)):
        assert found[name] == np.quantile(values, share, method="inverted_cdf")
    assert found["count"] == count


@pytest.mark.parametrize("count", [1, 2, 7, 100, 5000])
@pytest.mark.parametrize("scale", [1e-6, 0.01, 1.0, 37.0])
def test_a_histogram_holds_every_value_in_at_most_twenty_round_bins(count: int, scale: float) -> None:
    values = [scale * value for value in times(count, count)]
    found = histogram(values)
    width, counts = found["width"], found["counts"]
    assert sum(counts) == count and 1 <= len(counts) <= 20
    assert counts[0] > 0 and counts[-1] > 0
    assert float(f"{width:.0e}"[0]) in (1, 2, 5) and width >= 0.001 * (1 - 1e-9)
    edges = found["from"] + width * np.arange(len(counts) + 1)
    assert edges[0] <= min(values) + 1e-9 and max(values) < edges[-1] + 1e-9
    assert counts == np.histogram(values, edges)[0].tolist()


def test_a_value_on_an_edge_belongs_to_the_bin_above() -> None:
    found = histogram([0.1, 0.2, 0.2, 0.3])
    assert found["width"] == pytest.approx(0.02) and found["counts"] == [1, 0, 0, 0, 0, 2, 0, 0, 0, 0, 1]


def test_one_straggler_does_not_put_all_others_into_one_bin() -> None:
    values = [0.14 + 0.001 * i for i in range(99)] + [1.847]
    found = distribution(values)
    assert found["beyond"] == [1.847] and sum(found["histogram"]["counts"]) == 99
    assert max(found["histogram"]["counts"]) <= 10
    assert distribution(values[:50])["beyond"] == [], "of fewer than a hundred the 99th percentile is the greatest"
    text = "\n".join(_beyond_line(found))
    assert text.strip() == "1 beyond: 1.847"


def test_nothing_measured_is_no_distribution() -> None:
    with pytest.raises(ValueError, match="nothing was measured"):
        distribution([])


def test_the_fullest_bar_is_forty_wide_and_one_is_never_invisible() -> None:
    lines = histogram_lines({"from": 0.1, "width": 0.1, "counts": [1000, 0, 1]})
    assert [line.count("#") for line in lines] == [40, 0, 1]
    assert lines[0].split()[:2] == ["0.1..0.2", "1000"]


def test_a_trial_that_passed() -> None:
    result = result_of(TrialWorld(ARM_SAFE, 4).run())
    assert (result["outcome"], result["passed"], result["runs"], result["planned"], result["safe"]) == (
        "passed", 4, 4, 4, True,
    )  # fmt: skip
    assert result["upper_bound"] == upper_bound(0, 4)
    assert result["interval"] == [0.0, pytest.approx(1 - 0.025**0.25)]
    text = result_text(result)
    assert "passed: 4 of 4 runs passed, 0 failed (4 planned)" in text
    assert "failure rate: at most 52.7 % (one-sided exact bound, 95 %); 0 % to 60.2 % (two-sided exact interval" in text
    assert json.loads(json.dumps(result, allow_nan=False)) == result


def test_a_trial_that_failed_says_where_and_why() -> None:
    text = result_text(result_of(TrialWorld(ARM_SAFE, 4).run(each=armed_by_itself)))
    assert "failed: 1 of 2 runs passed, 1 failed (4 planned)" in text
    assert "stopped by: channel[3].armed: telemetry shows it" in text
    assert "first failure: run 2, cycle 2, wait 0.5 s: channel[3].armed" in text


def test_a_vehicle_not_seen_safe_is_said_in_capitals() -> None:
    bench = TrialWorld(ARM_SAFE, 1).begin()
    result = result_of(bench.trial)
    assert result["safe"] is False, "a trial that has not ended proves nothing"
    assert "NOT SEEN TO BE SAFE: treat everything as armed" in result_text(result)


def test_pings_tell_frames_from_pings() -> None:
    def deaf(bench: TrialWorld) -> None:
        bench.world.up.cut = bench.trial.run == 2

    result = result_of(TrialWorld(PING, 6).run(each=deaf))
    pings = result["pings"]
    assert (pings["sent"], pings["answered"], pings["frames"], pings["frames_lost"]) == (6, 5, 8, 3)
    assert pings["loss"] == 3 / 8 and pings["round_trip"]["count"] == 5
    assert "pings: 5 of 6 answered; 3 of 8 frames had no answer in time (37.5 %)" in result_text(result)


def test_a_sweep_finds_the_linkage_it_was_made_of() -> None:
    result = result_of(swept(Bent()))
    sweep = result["sweeps"][0]
    assert (sweep["title"], sweep["ratio"], sweep["offset"], sweep["backlash"]) == (
        "fin 1", pytest.approx(0.9), pytest.approx(0.01), pytest.approx(0.004),
    )  # fmt: skip
    assert len(sweep["places"]) == 9
    text = result_text(result)
    assert "fin 1: asked -11.46 deg to +11.46 deg" in text and "linkage ratio 0.9000" in text
    assert "backlash +0.23 deg (median of" in text
