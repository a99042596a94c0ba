"""Recordings that pages look at: opened once for all that a page asks of them, the few last ones kept."""

from __future__ import annotations

from contextlib import suppress

from fastapi import HTTPException

from server.http.context import PageContext
from server.problems import Problem
from server.review.review import Review


def opened(site: PageContext, name: str) -> Review:
    """Return a session by its name on the shelf. Raises UnknownSession, SessionError or HTTPException."""
    return _opened(site, name)[0]


def opened_columns(site: PageContext, name: str) -> bytes:
    """Return the binary columns of a session. Raises what `opened` raises."""
    return _opened(site, name)[1]


def open_ahead(site: PageContext, name: str) -> None:
    """Open the session a page will ask for first; what is wrong with it is told when it asks."""
    with suppress(HTTPException, Problem):
        _opened(site, name)


def _opened(site: PageContext, name: str) -> tuple[Review, bytes]:
    """Return a session, from the few last opened if it has not changed since."""
    if site.station is not None and name == site.station.name:
        raise HTTPException(409, "This session is still being recorded; watch it live.")
    try:
        path = site.shelf.path_of(name)
        stamp = (str(path), path.stat().st_size, path.stat().st_mtime_ns)
        with site.opening:
            for known, known_stamp, review, body in site.opened:
                if known == name and known_stamp == stamp:
                    return review, body
            review = site.shelf.open(name)
            body = review.columns()
            site.opened.append((name, stamp, review, body))
    except OSError as error:
        raise HTTPException(409, str(error)) from error
    return review, body
