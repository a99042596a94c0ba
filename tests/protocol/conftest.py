"""Settings of the wire's tests: no time limit per example, because the machine may be shared."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("wire", deadline=None)
settings.load_profile("wire")
