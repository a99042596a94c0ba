"""A row of runs: passed of all with the exact bound, state against the truth, and the file builders' own tools read."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from lxml import etree
from scipy.stats import beta

from server.rehearsal.against_truth import POSITION_AND_VELOCITY, against_truth, components
from server.rehearsal.judging import DEPLOYMENT, NOT_FINITE, Wrong
from server.rehearsal.score import Run, junit, run_of, verdict
from tests.server.rehearsal.helpers import READER, made

BAD = Wrong(NOT_FINITE, 825, 8_250_000, "navigation.rate_z", math.nan, None, ("control.enabled goes to 1",))


def run(*wrongs: Wrong, landed: bool = True, scenario: str = "calm") -> Run:
    return Run(scenario, 1, wrongs, {}, (13.9, 13.9), landed, 60.0, 1.5, (0.001, 0.002, 0.003), (0.001, 0.002), 0, 0)


@pytest.mark.parametrize(("failed", "runs"), [(0, 1), (0, 20), (1, 20), (5, 8), (8, 8)])
def test_the_bound_is_the_exact_one(failed: int, runs: int) -> None:
    """One-sided Clopper-Pearson, 95 %: the beta distribution's quantile (scipy)."""
    wanted = 1.0 if failed == runs else beta.ppf(0.95, failed + 1, runs - failed)
    said = verdict([run(BAD)] * failed + [run()] * (runs - failed))
    assert said == f"{runs - failed} of {runs} passed; it fails in less than {100 * wanted:.1f} % of such runs (95 %)"


def test_a_run_that_never_came_down_has_not_passed() -> None:
    assert run().passed and not run(landed=False).passed and not run(BAD).passed
    assert verdict([run(), run(landed=False)]).startswith("1 of 2 passed")


def test_state_against_truth_is_rms_and_worst_until_recovery_is_ordered() -> None:
    flown = made(101, lambda step: {role: 2.0 * step * 0.01 + (step % 2) for role in POSITION_AND_VELOCITY})
    times = np.linspace(0.2, 1.0, 9)
    flown.truth = {"t_s": times} | {role: 2.0 * times for role in POSITION_AND_VELOCITY}
    for rms, worst in against_truth(components(flown, 0.8, READER)).values():  # 61 steps from 0.2 s, every second off by 1
        assert rms == pytest.approx(math.sqrt(30 / 61)) and worst == pytest.approx(1.0)
    flown.truth["position.up"][:] += 100.0
    assert against_truth(components(flown, 0.8, READER))["position.up"][1] == pytest.approx(100.0)
    flown.truth = None
    assert against_truth(components(flown, None, READER)) == {}


def test_delays_are_told_by_median_and_99th_percentile() -> None:
    flown = made(1, lambda step: {})
    flown.delays_s = [n / 1000 for n in range(1, 201)]
    told = run_of("calm", 1, flown, [], (None, None), READER)
    assert told.delay_s == pytest.approx((0.1005, 0.198)) and told.delay_most_s == pytest.approx(0.2)
    flown.delays_s = []
    assert all(map(math.isnan, run_of("calm", 1, flown, [], (None, None), READER).delay_s))


def test_the_xml_says_what_failed_and_has_no_element_or_attribute_that_is_not_usual(tmp_path: Path) -> None:
    """Read by libxml2, and held against what pytest writes of a test that fails and one that does not.

    JUnit XML has no standard; pytest's own writer, which builders' servers read, stands for one.
    """
    said = Wrong(DEPLOYMENT, 3, 30_000, "deployment <&> \x07", 1.0, None)
    ours = etree.fromstring(junit([run(), run(said, BAD), run(landed=False, scenario="windy")], "flight 1").encode())
    (tmp_path / "test_two.py").write_text("def test_a(): pass\ndef test_b(): assert 0\n")
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--junitxml=out.xml", "test_two.py"]
    subprocess.run(command, cwd=tmp_path, capture_output=True)
    theirs = etree.fromstring((tmp_path / "out.xml").read_bytes())[0]
    shape = {element.tag: set(element.attrib) for element in theirs.iter()}
    for element in ours.iter():
        assert set(element.attrib) <= shape[element.tag], element.tag
        assert element.getparent() is None or element.getparent().tag in {
            e.getparent().tag for e in theirs.iter(element.tag)
        }
    assert (ours.get("tests"), ours.get("failures"), ours.get("name")) == ("3", "2", "rehearsal flight 1")
    assert (theirs.get("tests"), theirs.get("failures")) == ("2", "1")
    assert [len(case) for case in ours] == [0, 1, 1]
    assert ours[1][0].get("message") == said.sentence().replace("\x07", "") and ours[1][0].text.count("\n") == 1
    assert "deployment <&> " in ours[1][0].text and "\x07" not in ours[1][0].text
    assert ours[2].get("name") == "windy seed 1" and ours[2][0].get("message") == "not flown to the ground"
    assert [case.get("time") for case in ours] == ["1.500"] * 3
