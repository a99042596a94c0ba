"""Figures of control and of what it rests on: gate, roll, servo cable, state vector, sensors, phases."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.analysis.figures.figure import Figure, FigurePart


@dataclass(frozen=True, kw_only=True)
class GateFlags(FigurePart):
    """When the gate's conditions were first met (None: never), and how long control was enabled: middle, least, most."""

    altitude_met_t: float | None
    speed_met_t: float | None
    enabled_met_t: float | None
    enabled_s: float
    enabled_least_s: float
    enabled_most_s: float


@dataclass(frozen=True, kw_only=True)
class GateFigure(Figure):
    """Whether the flight was a test of control, why, and what it would have taken.

    `gate_for_a_second_m` is the highest gate altitude that would have given a second of control, `short_of_altitude_m` how
    much higher the flight had to be, `fins_until_t` when the fins lost their cable.
    """

    key: ClassVar[str] = "gate"
    verdict: str
    reason_text: str
    flags: GateFlags | None = None
    gate_for_a_second_m: float | None
    short_of_altitude_m: float | None
    doubts: tuple[str, ...] = ()
    fins_until_t: float | None = None
    needed: str = ""


@dataclass(frozen=True, kw_only=True)
class RollFigure(Figure):
    """What the fins did to the roll: rad/s2 per Pa and rad, one sigma, 95 % interval, lag, and what the sheet expects."""

    key: ClassVar[str] = "roll"
    verdict: str
    reason_text: str
    authority_per_pa_rad: float | None
    sigma: float | None
    low: float | None
    high: float | None
    lag_s: float | None
    expected: float | None


@dataclass(frozen=True, kw_only=True)
class ServoCableFigure(Figure):
    """The opening of the servo connector, and at what height.

    `kind` is "before lift-off" or "before deployment" (too early: with `control_on` then, and the `cause`), "at deployment"
    or "unheard" (`delay_s` after what it is measured `against`, and the `sentence`).
    """

    key: ClassVar[str] = "servo_cable"
    kind: str
    against: str | None = None
    delay_s: float | None = None
    height_m: float | None
    control_on: bool | None = None
    cause: str | None = None
    sentence: str | None = None

    @property
    def text(self) -> str:
        """The sentence of an opening that was none too early; of one that was the alarm tells."""
        return self.sentence or ""

    @property
    def is_early(self) -> bool:
        """Whether it opened before the bodies parted."""
        return self.kind in ("before lift-off", "before deployment")


@dataclass(frozen=True, kw_only=True)
class NonfiniteFigure(Figure):
    """In how many frames the state vector held something that is not a number, and which components, by name."""

    key: ClassVar[str] = "nonfinite"
    frames: int
    components: str


@dataclass(frozen=True, kw_only=True)
class GuardFigure(Figure):
    """How often the firmware fell back to its last valid state, the vehicle time (s) of the first, what was not valid."""

    key: ClassVar[str] = "guard"
    count: int
    first_time_s: float | None
    component: str | None

    @property
    def sentence(self) -> str:
        """It in words."""
        times = "once" if self.count == 1 else f"{self.count} times"
        what = f" ({self.component})" if self.component is not None else ""
        first = self.first_time_s
        when = f", first at vehicle time {first:.3f} s" if first is not None and first == first else ""
        return f"the firmware fell back to its last valid state {times}{what}{when}"


@dataclass(frozen=True, kw_only=True)
class StateVectorFigure(Figure):
    """In what ways the state vector could not be believed, and the last of them in a sentence."""

    key: ClassVar[str] = "state_vector"
    kinds: tuple[str, ...]
    sentence: str


@dataclass(frozen=True, kw_only=True)
class FlatSensor(FigurePart):
    """A role that stood still at its greatest value: since when, at what (SI), how long at most and how many samples."""

    role: str
    t: float
    value: float
    seconds: float
    samples: int


@dataclass(frozen=True, kw_only=True)
class ClippedFigure(Figure):
    """Roles without a declared range whose values show the end of one, in the order of the roles."""

    key: ClassVar[str] = "clipped"
    sensors: tuple[FlatSensor, ...]


@dataclass(frozen=True, kw_only=True)
class SaturatedFigure(Figure):
    """Channels whose sensor was at the end of its range since `t`, by path; `newest` is the last of them in words."""

    key: ClassVar[str] = "saturated"
    severity: ClassVar[str] = "caution"
    channels: tuple[str, ...]
    newest: str

    @property
    def text(self) -> str:
        """The last one in words."""
        return f"at the end of its range: {self.newest}"

    def body(self) -> dict[str, object]:
        """Return what the journal keeps: `newest` is in the sentence."""
        return {"t": self.t, "channels": list(self.channels)}


@dataclass(frozen=True, kw_only=True)
class PhaseDisagreementFigure(Figure):
    """The phase the vehicle claimed and the one the ground saw, since `t`."""

    key: ClassVar[str] = "phase_disagreement"
    vehicle: str
    ground: str
