"""The faults: exact replacements in the source, more than one where a second barrier masks the first."""

from __future__ import annotations

from tests.mutation.bound_faults import BOUND_FAULTS
from tests.mutation.edge_faults import EDGE_FAULTS
from tests.mutation.permit_faults import PERMIT_FAULTS
from tests.mutation.queue_faults import QUEUE_FAULTS

FAULTS = (*QUEUE_FAULTS, *BOUND_FAULTS, *EDGE_FAULTS, *PERMIT_FAULTS)
