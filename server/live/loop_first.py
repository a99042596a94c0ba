"""How the interpreter shares itself between the event loop and everything beside it while a station runs."""

from __future__ import annotations

import contextlib
import gc
import sys
from collections.abc import Iterator

# Our choice: after every wait the event loop asks the thread that computes (a judgement, say) for the interpreter, and gets
# it after this at the latest; it may wait several times in one turn. Python's own value is 5 ms.
SWITCH_INTERVAL_S = 0.0005


@contextlib.contextmanager
def loop_first() -> Iterator[None]:
    """Let no thread keep the event loop waiting for long, nor the garbage collector with what was there from the start."""
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    gc.collect()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
        sys.setswitchinterval(before_s)
