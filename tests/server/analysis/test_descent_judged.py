"""The way down as judged without and with a sheet, from the heights a station would have computed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from server.analysis.figures.descent import DescentFigure
from server.analysis.figures.figure import Figures
from server.analysis.flight_log import FlightLog
from server.analysis.judgements.case import Case
from server.analysis.judgements.descent import judge_descent, judge_opening
from server.analysis.judgements.schedule import COLUMNS, JUDGEMENTS
from server.design.sheet_numbers import NOTHING_TOLD, SheetNumbers
from server.telemetry.batch import Rows
from tests.server.flight.descent.test_opening import coast
from tests.server.flight.descent.test_stages import Stages, fall

APOGEE_S = 100.0
SHEET = replace(NOTHING_TOLD, descent_both_m_s=6.0, descent_one_m_s=20.0, burnout_mass_kg=3.0)


def judged(stages: Stages, top_m: float, facts: SheetNumbers = NOTHING_TOLD, late_s: float = 1.5) -> DescentFigure:
    """Judge a fall from the top, its landing detected `late_s` late."""
    t, height, landing = fall(stages, top_m)
    t, landing = t + APOGEE_S, landing + APOGEE_S
    log = FlightLog(COLUMNS)
    rows = Rows(np.arange(len(t)), t, t, np.zeros(len(t), dtype=bool), {})
    log.add("height", rows, {"height": height, "height_raw": height})
    moments = {"lift_off": (80.0, 0.0), "apogee": (APOGEE_S, top_m), "landing": (landing + late_s, 0.0)}
    found = judge_descent(Case(log, facts, moments, Figures(), len(t), landing + late_s + 4.0))
    assert found is not None
    return found


def test_a_perfect_dual_deployment_is_drogue_then_main_and_landed_under_both() -> None:
    found = judged([(150.0, 20.0), (-9.0, 6.0)], 1000.0, SHEET)
    assert found.under == "both" and found.rate_m_s == pytest.approx(6.0, rel=0.1)
    assert [stage.kind for stage in found.stages] == ["drogue", "main"]
    assert found.stages[0].rate_m_s == pytest.approx(20.5, rel=0.05) and found.stages[1].from_m < 150.0


def test_without_a_sheet_stages_and_landing_are_told() -> None:
    found = judged([(150.0, 20.0), (-9.0, 6.0)], 1000.0)
    assert found.under == "cannot tell" and [stage.kind for stage in found.stages] == ["drogue", "main"]
    assert found.landing_m_s == pytest.approx(6.0, rel=0.15) and found.energy_j is None


@pytest.mark.parametrize("late_s", [0.0, 2.5, 4.5])
def test_a_landing_detected_late_leaves_speed_and_energy_right(late_s: float) -> None:
    found = judged([(-9.0, 22.0)], 900.0, SHEET, late_s)
    assert found.landing_m_s == pytest.approx(22.0, rel=0.1)
    assert found.energy_j == pytest.approx(0.5 * 3.0 * 22.0**2, rel=0.2)


def test_a_part_lost_under_canopy_is_told_without_a_sheet_and_no_main_is() -> None:
    found = judged([(250.0, 8.5), (-9.0, 5.5)], 500.0)
    assert found.parted is not None and found.parted.share_kept == pytest.approx(0.42, abs=0.08)
    assert judged([(150.0, 20.0), (-9.0, 6.0)], 1000.0).parted is None


def test_an_opening_in_the_climb_is_told_without_a_flag_and_without_a_force() -> None:
    for opens_at, burnout in ((40.0, True), (40.0, False), (None, True), (None, False)):
        t, height, apogee = coast(150.0, opens_at)
        log = FlightLog(COLUMNS)
        rows = Rows(np.arange(len(t)), t, t, np.zeros(len(t), dtype=bool), {})
        log.add("height", rows, {"height": height, "height_raw": height, "climb_rate": np.gradient(height, t)})
        moments = {"lift_off": (18.0, 0.0), "apogee": (apogee, 0.0)} | ({"burnout": (20.0, 0.0)} if burnout else {})
        found = judge_opening(Case(log, NOTHING_TOLD, moments, Figures(), len(t), apogee + 3.0))
        if opens_at is None:
            assert found is None
            continue
        assert found is not None and found.climb_m_s == pytest.approx(40.0, rel=0.15)
        assert found.early_s == pytest.approx(3.0, abs=1.2)


def test_a_rate_is_less_sure_without_the_air_s_temperature_and_a_landing_s_time_has_a_doubt() -> None:
    untold, told = (
        judged([(-9.0, 22.0)], 900.0, one) for one in (NOTHING_TOLD, replace(NOTHING_TOLD, pad_temperature_k=290.0))
    )
    assert untold.sigma_m_s > 0.05 * untold.rate_m_s
    assert told.landing_sigma_s is not None and 0.0 < told.landing_sigma_s < 0.5


def test_a_long_descent_is_judged_on_and_on_since_its_landing_may_never_be_heard() -> None:
    due = sorted(delay for one in JUDGEMENTS if one.subject == "descent" and one.after == "apogee" for delay in one.delays_s)
    assert due[-1] > 900.0 and all(later <= 2.0 * sooner for sooner, later in zip(due, due[1:], strict=False))
