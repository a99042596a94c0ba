"""A place by GNSS: a vehicle with barometer and receiver only, drifting under its canopy, lies where its fixes say."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import VehicleLink
from server.analysis.pipeline import recorded_output
from server.analysis.trackers.gnss import GnssTracker
from server.analysis.trackers.output import TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns
from server.design.sheet_numbers import NOTHING_TOLD, SheetNumbers
from server.flight.descent.geodesy import Geodetic, moved, seen_from
from server.recording.records import Kind, Record
from server.telemetry.batch import Batch, Rows
from server.telemetry.tables import table_specs
from tests.protocol.helpers import HEAD, SANDPIPER
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, live_output

DICTIONARY = parse_dictionary(
    HEAD
    + """
[packet.air]
apid = 1
rate_hz = 20
fields = [ { name = "p", type = "f32", unit = "hPa", role = "pressure" } ]
[packet.place]
apid = 2
rate_hz = 5
fields = [
  { name = "lat", type = "i32", scale = 1e-7, unit = "deg", role = "gnss.latitude" },
  { name = "lon", type = "i32", scale = 1e-7, unit = "deg", role = "gnss.longitude" },
  { name = "alt", type = "f32", unit = "m", role = "gnss.height" },
  { name = "fix", type = "u8", role = "gnss.fix" },
]
"""
)
PAD = Geodetic(48.1234567, 11.7654321, 530.0)  # invented
BOOST_S, BOOST_M_S2, SINK_M_S, DRIFT = 2.0, 50.0, 8.0, (3.0, -2.0)
BURNOUT_M, BURNOUT_M_S = 100.0, 100.0
APOGEE_S = BOOST_S + BURNOUT_M_S / 9.80665
APOGEE_M = BURNOUT_M + BURNOUT_M_S**2 / 2 / 9.80665


def at(t: float) -> tuple[float, float, float]:
    """Return east, north, up (m) t seconds after lift-off."""
    if t <= 0.0:
        return 0.0, 0.0, 0.0
    if t < BOOST_S:
        return 0.0, 0.0, BOOST_M_S2 * t * t / 2
    if t < APOGEE_S:
        s = t - BOOST_S
        return 0.0, 0.0, BURNOUT_M + BURNOUT_M_S * s - 9.80665 * s * s / 2
    s = min(t - APOGEE_S, APOGEE_M / SINK_M_S)
    return DRIFT[0] * s, DRIFT[1] * s, APOGEE_M - SINK_M_S * s


def records_of(
    dictionary: Dictionary, *, dark_s: float = 5.0, seed: int = 1, scatter_m: float = 0.8, silent_from_s: float = 1e9
) -> list[Record]:
    """A flight 30 s after the start; for `dark_s` the receiver has no fix and tells zeros, then a poor one far off."""
    link, rng, out = VehicleLink(dictionary, bytes(32), 1), random.Random(seed), []
    for step in range(round(20 * (30.0 + APOGEE_S + APOGEE_M / SINK_M_S + 30.0))):
        t = step / 20
        east, north, up = at(t - 30.0)
        pascal = 95000.0 * (1.0 - 0.0065 * up / 288.15) ** 5.25588 + rng.gauss(0.0, 2.0)
        frames = [link.frame("air", 50 * step, {"p": pascal})]
        if step % 4 == 0 and t < silent_from_s:
            place = moved(PAD, east + rng.gauss(0, scatter_m), north + rng.gauss(0, scatter_m), up)
            told = {"lat": place.latitude_deg, "lon": place.longitude_deg, "alt": place.height_m, "fix": 3.0}
            if t < dark_s:
                told = {"lat": 0.0, "lon": 0.0, "alt": 0.0, "fix": 0.0}
            elif t < dark_s + 2.0:
                told = {"lat": PAD.latitude_deg + 0.01, "lon": PAD.longitude_deg, "alt": 100.0, "fix": 2.0}
            frames.append(link.frame("place", 50 * step, told))
        out += [
            Record(Kind.RECEIVED, len(out) + i, ORIGIN_NS + round(1e9 * t) + 5_000_000, f) for i, f in enumerate(frames, 1)
        ]
    return out


def recovery_of(output) -> dict[str, object]:
    return [entry.body for entry in output.entries if entry.topic == "figure" and entry.key == "recovery"][-1]


def test_the_landing_spot_is_within_five_meters_and_live_is_replay() -> None:
    records = records_of(DICTIONARY)
    whole = recorded_output(DICTIONARY, records, ORIGIN_NS)
    assert_same(live_output(DICTIONARY, records), whole)
    figure = recovery_of(whole)
    east, north, _ = at(1e9)
    assert math.hypot(figure["landing_east_m"] - east, figure["landing_north_m"] - north) < 5.0
    assert figure["whereabouts_basis"] == "landed"
    there = Geodetic(figure["last_latitude_deg"], figure["last_longitude_deg"], PAD.height_m)
    true = moved(PAD, east, north, 0.0)
    apart = seen_from(Geodetic(true.latitude_deg, true.longitude_deg, PAD.height_m), there)
    assert math.hypot(*apart[:2]) < 5.0


def test_fixes_that_scatter_are_averaged_on_the_pad_and_where_it_lies() -> None:
    east, north, _ = at(1e9)
    for seed in range(3):
        figure = recovery_of(recorded_output(DICTIONARY, records_of(DICTIONARY, seed=seed, scatter_m=4.0), ORIGIN_NS))
        assert math.hypot(figure["landing_east_m"] - east, figure["landing_north_m"] - north) < 4.0
        true = moved(PAD, east, north, 0.0)
        there = Geodetic(figure["last_latitude_deg"], figure["last_longitude_deg"], PAD.height_m)
        apart = seen_from(Geodetic(true.latitude_deg, true.longitude_deg, PAD.height_m), there)
        assert math.hypot(*apart[:2]) < 4.0


def test_a_vehicle_carried_to_its_pad_while_it_is_on_counts_from_the_pad() -> None:
    tracker = GnssTracker(RoleColumns(DICTIONARY.roles), NOTHING_TOLD, lambda orders: np.zeros(len(orders), dtype=bool))
    t = np.arange(0.0, 400.0, 0.2)
    walked = np.clip(t, 0.0, 200.0)  # a meter a second, north, for 200 s
    places = [moved(PAD, 0.0, north, 0.0) for north in walked.tolist()]
    columns = {
        "lat": np.array([one.latitude_deg for one in places]), "lon": np.array([one.longitude_deg for one in places]),
        "alt": np.full(len(t), PAD.height_m), "fix": np.full(len(t), 3.0),
    }  # fmt: skip
    rows = Rows(np.arange(len(t)), t, t, np.zeros(len(t), dtype=bool), columns)
    out = TrackerOutput()
    tracker.take(Batch({"place": rows}, [], t, t, t), out)
    assert abs(out.rows["ground_gnss"].columns["north"][-1]) < 0.5


def test_a_receiver_that_falls_silent_in_the_air_gives_a_forecast_and_no_place_where_it_lies() -> None:
    records = records_of(DICTIONARY, silent_from_s=30.0 + APOGEE_S + APOGEE_M / SINK_M_S - 12.0)
    figure = recovery_of(recorded_output(DICTIONARY, records, ORIGIN_NS))
    east, north, _ = at(1e9)
    off = math.hypot(figure["landing_east_m"] - east, figure["landing_north_m"] - north)
    assert figure["whereabouts_basis"] == "forecast" and off < figure["landing_radius_m"]
    assert "after it had landed" not in figure["whereabouts_text"]


def test_a_receiver_dark_on_the_pad_needs_the_sheet_s_site() -> None:
    records = records_of(DICTIONARY, dark_s=35.0)
    dark = recorded_output(DICTIONARY, records, ORIGIN_NS, NOTHING_TOLD)
    assert not [1 for value in dark.rows["ground_gnss"].columns["east"] if math.isfinite(value)]
    site = SheetNumbers(latitude_deg=PAD.latitude_deg, longitude_deg=PAD.longitude_deg, elevation_m=500.0)
    told = recovery_of(recorded_output(DICTIONARY, records, ORIGIN_NS, site))
    east, north, _ = at(1e9)
    assert math.hypot(told["landing_east_m"] - east, told["landing_north_m"] - north) < 5.0


@pytest.mark.parametrize(("dictionary", "has"), [(DICTIONARY, True), (SANDPIPER, False)])
def test_only_a_vehicle_with_a_receiver_has_the_table(dictionary: Dictionary, has: bool) -> None:
    assert ("ground_gnss" in table_specs(dictionary)) is has
