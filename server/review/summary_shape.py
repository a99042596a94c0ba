"""The shape of a session's summary, as it is printed, sent to the page and compared. All of it has a form in JSON."""

from __future__ import annotations

from typing import NotRequired, TypedDict


class JudgedGoal(TypedDict):
    """One goal as it was judged; `t` is where its evidence stands on the timeline, s."""

    what: str
    kind: str
    outcome: str
    evidence: str
    t: float | None


class JudgedCard(TypedDict):
    """All goals of a flight, and the parts that were on trial."""

    goals: list[JudgedGoal]
    on_trial: list[str]


class Moment(TypedDict):
    """A moment with the height it happened at: m above the pad, timeline s."""

    height_m: float
    t: float


class PhaseStart(TypedDict):
    """A flight phase and when it began, timeline s. A recording may name any phase."""

    phase: object
    t: float


class ToldFinding(TypedDict):
    """A finding as the journal tells it; when it was and what to do are what the recording says, or None."""

    t: object
    severity: str
    text: str
    advice: object


class ToldFault(TypedDict):
    """Something the station could not compute because its own code failed: timeline s, and what."""

    t: float
    severity: str
    text: str


class Mark(TypedDict):
    """An operator's mark: timeline s, text."""

    t: float
    text: str


class Summary(TypedDict):
    """A session in numbers: SI units, times in timeline s, None for what is not known. `lost` counts packets."""

    session: str
    vehicle: str
    software: str | None
    utc: str
    duration_s: float
    parts: list[str]
    closed: bool
    damage: list[str]
    packets: dict[str, int]
    damaged: int
    lost: int
    repeated: int
    restarts: int
    phases: list[PhaseStart]
    vehicle_phases: list[PhaseStart]
    findings: list[ToldFinding]
    figures: dict[str, dict[str, object]]
    lift_off_t: float | None
    burnout: Moment | None
    apogee: Moment | None
    deployment_t: float | None
    control_enabled_t: float | None
    landing_t: float | None
    whereabouts: NotRequired[str]  # the best estimate of where it lies, in words; only where a flight was judged for it
    last_heard: NotRequired[str]  # the last point heard, where that is not where it lies
    greatest_speed_m_s: float | None
    greatest_climb_m_s: float | None
    greatest_tilt_deg: float | None
    nonfinite_frames: int
    nonfinite: list[dict[str, object]]
    commands: list[dict[str, object]]
    marks: list[Mark]
    alarms: list[dict[str, object]]
    absent: NotRequired[dict[str, str]]  # each figure of the flight that is not told, and why; only where there are any
    configuration: NotRequired[object]  # what follows from the sheet, where it was computed as well (`planned`)
    next_flight: NotRequired[object]
    goals: NotRequired[JudgedCard]  # only where the sheet has goals or parts on trial
    rehearsal: NotRequired[str]  # which, only where it is one: then nothing of this was flown
    faults: NotRequired[list[ToldFault]]  # only where there are any: a sound session's summary has none
