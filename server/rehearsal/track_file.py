"""The picture kept of a rehearsal: state against truth, phases, deployment; a small file of JSON beside its recording.

It is found by the recording's name and goes to the trash with it. What is not whole is as good as none: a picture is
looked at, nothing is computed from it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from server.json_text import to_json
from server.recording.segment import REHEARSAL_TRACK, base_name

BYTES_AT_MOST = 200_000


class TrackFault(ValueError):
    """A file that holds no picture of a rehearsal."""


@dataclass(frozen=True)
class Curve:
    """One component, SI units, decimated; None is what was no number. `worst_s` is when it was worst, s.

    `truth` and `told` of an attitude are the tilt, `apart` is the whole turn between both.
    """

    role: str
    unit: str
    rms: float | None
    worst: float | None
    worst_s: float | None
    t_s: Sequence[float]
    told: Sequence[float | None]
    truth: Sequence[float | None]
    apart: Sequence[float | None]


@dataclass(frozen=True)
class Track:
    """A run as it is drawn; all times in s since the rehearsal began.

    `from_s` (ignition) to `until_s` (recovery ordered) is what is compared; `phases` are (name, since when) by the computer
    and `true_phases` those of the simulated vehicle; `deployment_s` ordered and by the twin's own computer; `first_bad_s`
    with its frame is of the first thing in `wrongs`, which are sentences. `cycle_us` is the greatest cycle time the
    computer tells, 0 where it tells none; `delay_ms` of its answers median, 99th percentile and greatest.
    """

    scenario: str
    seed: int
    firmware: str
    outcome: str
    invalid: str
    from_s: float
    until_s: float
    duration_s: float
    curves: Sequence[Curve]
    phases: Sequence[tuple[str, float]]
    true_phases: Sequence[tuple[str, float]]
    deployment_s: tuple[float | None, float | None]
    first_bad_frame: int | None
    first_bad_s: float | None
    wrongs: Sequence[str]
    cycle_us: int
    delay_ms: tuple[float | None, float | None, float | None]
    outages_s: Sequence[tuple[float, float]]


def track_file(recording: Path) -> Path:
    """Return where the picture of a recorded rehearsal lies."""
    return recording.with_name(base_name(recording) + REHEARSAL_TRACK)


def write_track(recording: Path, track: Track) -> None:
    """Write the picture beside the recording. Raises OSError."""
    track_file(recording).write_bytes(to_json(asdict(track)))


def read_track(file: Path) -> Track:
    """Read a picture. Raises FileNotFoundError where none was kept, TrackFault for what is none, OSError."""
    if file.stat().st_size > BYTES_AT_MOST:
        raise TrackFault("longer than any picture is")
    try:
        said = json.loads(file.read_bytes())
        curves = [Curve(**one) for one in said.pop("curves")]
        track = Track(curves=curves, **said)
        if not _is_whole(track):
            raise TrackFault("other kinds of values")
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise TrackFault(str(error)) from error
    return track


def _is_whole(track: Track) -> bool:
    texts = [track.scenario, track.firmware, track.outcome, track.invalid, *track.wrongs]
    numbers = [track.seed, track.from_s, track.until_s, track.duration_s, track.cycle_us]
    perhaps = [track.first_bad_frame, track.first_bad_s, *track.deployment_s, *track.delay_ms]
    for curve in track.curves:
        texts += [curve.role, curve.unit]
        numbers += curve.t_s
        perhaps += [curve.rms, curve.worst, curve.worst_s, *curve.told, *curve.truth, *curve.apart]
        if not len(curve.t_s) == len(curve.told) == len(curve.truth) == len(curve.apart):
            return False
    for name, at_s in [*track.phases, *track.true_phases]:
        texts.append(name)
        numbers.append(at_s)
    numbers += [at_s for outage in track.outages_s for at_s in outage]
    whole = isinstance(track.curves, list) and isinstance(track.wrongs, list)
    pairs = len(track.deployment_s) == 2 and len(track.delay_ms) == 3 and all(len(one) == 2 for one in track.outages_s)
    return (
        whole
        and pairs
        and all(isinstance(text, str) for text in texts)
        and all(map(_is_number, numbers))
        and all(one is None or _is_number(one) for one in perhaps)
    )


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
