"""The tables the station computes: their columns, units, roles and descriptions."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ComputedColumn:
    """One column the station computes: name, SI unit, display unit, role, description."""

    name: str
    unit: str
    display_unit: str
    role: str
    description: str


COMPUTED_TABLES: dict[str, tuple[str, tuple[ComputedColumn, ...]]] = {
    "ground_vertical": (
        "Height and climb, computed on the ground",
        (
            ComputedColumn(
                "height", "m", "m", "ground.height", "Height above the pad, filtered from pressure and acceleration"
            ),
            ComputedColumn("climb_rate", "m/s", "m/s", "ground.climb_rate", "Climb rate by the same filter"),
            ComputedColumn("height_raw", "m", "m", "ground.height_raw", "Height above the pad from pressure alone"),
        ),
    ),
    "ground_motion": (
        "Attitude and speed, computed on the ground",
        (
            ComputedColumn("tilt", "rad", "deg", "ground.tilt", "Angle between nose and vertical"),
            ComputedColumn("azimuth", "rad", "deg", "ground.azimuth", "Direction the nose leans to, from north by east"),
            ComputedColumn("roll", "rad", "deg", "ground.roll", "Twist about the nose"),
            ComputedColumn("speed", "m/s", "m/s", "ground.speed", "Speed by the vehicle's state vector"),
            ComputedColumn("cone", "rad", "deg", "ground.cone", "Half-angle of the cone the nose drew in the last 1.5 s"),
            ComputedColumn(
                "cone_turns", "1/s", "1/s", "ground.cone_turns", "Its turns per second, counterclockwise from above"
            ),
            ComputedColumn("cone_round", "1", "1", "ground.cone_round", "How round it is: 1 a circle, 0 a plane wobble"),
        ),
    ),
    "ground_apogee": (
        "Apogee, predicted on the ground",
        (
            ComputedColumn(
                "predicted", "m", "m", "ground.predicted_apogee", "Apogee over the pad as predicted while coasting"
            ),
            ComputedColumn("low", "m", "m", "ground.predicted_apogee_low", "Lower end of its 95 % interval"),
            ComputedColumn("high", "m", "m", "ground.predicted_apogee_high", "Upper end of its 95 % interval"),
            ComputedColumn("seconds_left", "s", "s", "ground.predicted_apogee_in", "Seconds until then"),
        ),
    ),
    "ground_units": (
        "The two inertial units against each other, in flight",
        (
            ComputedColumn("force_distance", "", "", "ground.units_force", "Statistical distance of forces, in sigmas"),
            ComputedColumn("rate_distance", "", "", "ground.units_rate", "Statistical distance of rates, in sigmas"),
        ),
    ),
    "ground_power": (
        "How long the vehicle can still wait on the pad",
        (
            ComputedColumn(
                "minutes_off", "min", "min", "ground.pad_minutes_off", "Minutes to the flight reserve, cameras off"
            ),
            ComputedColumn("minutes_on", "min", "min", "ground.pad_minutes_on", "Minutes to the flight reserve, cameras on"),
        ),
    ),
    "ground_link": (
        "The downlink, counted on the ground",
        (
            ComputedColumn("loss", "1", "%", "ground.link_loss", "Share of packets lost over the last ten seconds"),
            ComputedColumn("rate", "B/s", "B/s", "ground.link_rate", "Bytes heard per second"),
            ComputedColumn("received", "", "", "ground.link_received", "Good packets so far"),
            ComputedColumn("lost", "", "", "ground.link_lost", "Packets lost so far, by sequence gaps"),
            ComputedColumn("damaged", "", "", "ground.link_damaged", "Damaged frames so far"),
            ComputedColumn("repeated", "", "", "ground.link_repeated", "Packets that came twice so far"),
        ),
    ),
}

# Tables that a session has only if its dictionary has that role.
TABLES_OF_ROLE: dict[str, tuple[str, str, tuple[ComputedColumn, ...]]] = {
    "ground_gnss": (
        "gnss.latitude",
        "Place from the pad by GNSS, computed on the ground",
        (
            ComputedColumn("east", "m", "m", "ground.gnss_east", "East of the first good fix on the pad"),
            ComputedColumn("north", "m", "m", "ground.gnss_north", "North of it"),
            ComputedColumn("up", "m", "m", "ground.gnss_up", "Above it, by the receiver's height"),
            ComputedColumn("latitude", "deg", "deg", "ground.gnss_latitude", "Latitude of a good fix, north positive"),
            ComputedColumn("longitude", "deg", "deg", "ground.gnss_longitude", "Longitude of a good fix, east positive"),
        ),
    ),
}
