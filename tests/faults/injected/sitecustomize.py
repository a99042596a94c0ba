"""Trouble inside a station of its own process: Python imports this by its name, from PYTHONPATH, before the program.

The environment's BLOCKHOUSE_TROUBLE names a folder. While a file of that name is in it: "disk" - what touches the disk does
not return (open for writing, write, flush, replace; the session's and the counters' way, and the log's); "pool" - a thread
of a shared pool that begins work does not return; "tracker" - one tracker raises at every batch, and is asked again.
"""

import builtins
import concurrent.futures
import os
import stat
import sys
import time
from pathlib import Path

TROUBLE = Path(os.environ["BLOCKHOUSE_TROUBLE"])
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT
write, flush, flush_data, replace, low_open, high_open = os.write, os.fsync, os.fdatasync, os.replace, os.open, open
submit = concurrent.futures.ThreadPoolExecutor.submit


def stands(what):
    return (TROUBLE / what).exists()


def hang(what):
    while stands(what):
        time.sleep(0.02)


def on_disk(descriptor):
    return stat.S_ISREG(os.fstat(descriptor).st_mode)


def hanging_write(descriptor, data):
    if on_disk(descriptor):
        hang("disk")
    return write(descriptor, data)


def hanging(call):
    def slow(*arguments, **more):
        hang("disk")
        return call(*arguments, **more)

    return slow


def hanging_low_open(path, flags, *arguments, **more):
    if flags & WRITING and not str(path).startswith("/dev/"):
        hang("disk")
    return low_open(path, flags, *arguments, **more)


def hanging_high_open(file, mode="r", *arguments, **more):
    if set(mode) & set("wax+") and not str(file).startswith("/dev/"):
        hang("disk")
    return high_open(file, mode, *arguments, **more)


def submit_to_a_full_pool(self, call, /, *arguments, **more):
    def late():
        hang("pool")
        return call(*arguments, **more)

    return submit(self, late)


os.write, os.fsync, os.fdatasync, os.replace = hanging_write, hanging(flush), hanging(flush_data), hanging(replace)
os.open, builtins.open = hanging_low_open, hanging_high_open
concurrent.futures.ThreadPoolExecutor.submit = submit_to_a_full_pool


class TrackerTrouble:
    """Waits for the analysis to be imported, and then puts a fault into it."""

    def find_spec(self, name, path=None, target=None):
        if name == "server.analysis.pipeline":
            sys.meta_path.remove(self)
            spoil_a_tracker()
        return None


def spoil_a_tracker():
    from server.analysis.analysis import Analysis
    from server.analysis.trackers.limits import LimitTracker

    take, take_limits = Analysis.take, LimitTracker.take

    def take_again(self, batch, *arguments, **more):
        if stands("tracker"):
            self._aside.clear()
        return take(self, batch, *arguments, **more)

    def raising(self, batch, out):
        if stands("tracker"):
            raise RuntimeError("on purpose")
        take_limits(self, batch, out)

    Analysis.take, LimitTracker.take = take_again, raising


sys.meta_path.insert(0, TrackerTrouble())
