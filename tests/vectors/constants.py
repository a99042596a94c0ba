"""Numbers and lists that both sides hold, each for its own reason: bounds of forms, thresholds, what is kept."""

from __future__ import annotations

from random import Random

from server.analysis.findings.ascent import LIMIT_TILT_DEG
from server.analysis.findings.link import LOSS_SHARE
from server.design.flight_basis import CHANGES
from server.design.sheet_numbers import COULOMB_PER_MAH
from server.flight.descent.canopies import BOTH, NONE, ONE
from server.http.messages import DESK_REQUESTS
from server.http.plan_routes import CURVE_AT_MOST
from server.live.store import JOURNAL_KEPT, ONE_OFF
from server.shelf.onboard_mapping import UNITS


def constants(_random: Random) -> dict[str, object]:
    """Return the station's numbers and lists that the page holds as well."""
    return {
        "canopies": [BOTH, ONE, NONE],
        "changes": {name: list(bounds) for name, bounds in CHANGES.items()},
        "coulomb_per_mah": COULOMB_PER_MAH,
        "curve_at_most": CURVE_AT_MOST,
        "desk_requests": sorted(DESK_REQUESTS),
        "journal_kept": JOURNAL_KEPT,
        "limit_tilt_deg": LIMIT_TILT_DEG,
        "log_units": {unit: si for unit, (si, _, _) in UNITS.items()},
        "loss_caution": LOSS_SHARE,
        "one_off": sorted(ONE_OFF),
    }
