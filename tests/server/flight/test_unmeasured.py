"""A missing measurement says why and cannot be taken for a number."""

from __future__ import annotations

import dataclasses

import pytest

from server.flight.unmeasured import Unmeasured


def test_it_carries_its_reason_unchangeably() -> None:
    missing = Unmeasured("too few samples")
    assert missing.reason == "too few samples" and missing == Unmeasured("too few samples")
    with pytest.raises(dataclasses.FrozenInstanceError):
        missing.reason = "other"
    with pytest.raises(TypeError):
        float(missing)
