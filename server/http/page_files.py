"""The page's own files: asked for again at every visit, sent again only when they have changed.

A page of another version than its station would misread it, so a browser may keep a file but has to ask each time
(`no-cache`); what answers is a hash of the content, which neither an installer's dates nor a quick edit can fool. `/` tells
the browser of all modules at once: an import graph seven deep would otherwise cost a round trip for every level.

Source: RFC 9110 section 13 (entity tags), RFC 9111 section 5.2.2.4 (no-cache).
"""

from __future__ import annotations

import os
from functools import lru_cache
from hashlib import sha256
from html import escape
from mimetypes import guess_type
from pathlib import Path

from fastapi import APIRouter, Request
from fastapi.responses import Response
from fastapi.staticfiles import StaticFiles
from starlette.datastructures import Headers
from starlette.staticfiles import NotModifiedResponse
from starlette.types import Scope

from server.http.context import Site

WEB = "/web"
FIRST_MODULE = b'<script type="module"'
KEPT_FILES = 512  # the page has some two hundred, together about a megabyte

router = APIRouter()


class PageFiles(StaticFiles):
    """A folder of files, each with the hash of its content as its tag."""

    def file_response(
        self, full_path: str | os.PathLike[str], stat_result: os.stat_result, scope: Scope, status_code: int = 200
    ) -> Response:
        """Return a file, or the word that the browser's own copy is still right."""
        body, tag = _file(os.fspath(full_path), (stat_result.st_mtime_ns, stat_result.st_ctime_ns, stat_result.st_size))
        media_type = guess_type(full_path)[0] or "text/plain"
        response = Response(body, status_code=status_code, media_type=media_type, headers=_told(tag))
        if self.is_not_modified(response.headers, Headers(scope=scope)):
            return NotModifiedResponse(response.headers)
        return response


@router.get("/", include_in_schema=False)
def index(request: Request, site: Site) -> Response:
    """Return the page."""
    body = index_page(site.page)
    headers = _told(_tag(body))
    if headers["etag"] in [tag.strip().removeprefix("W/") for tag in request.headers.get("if-none-match", "").split(",")]:
        return Response(status_code=304, headers=headers)
    return Response(body, media_type="text/html", headers=headers)


def index_page(page: Path) -> bytes:
    """Return index.html with a link to every module of the folder before its first script, so that all come at once."""
    html = (page / "index.html").read_bytes()
    links = "".join(f'<link rel="modulepreload" href="{escape(address)}">\n' for address in modules(page))
    return html.replace(FIRST_MODULE, links.encode() + FIRST_MODULE, 1)


def modules(page: Path) -> list[str]:
    """Return the addresses of all modules of a page's folder."""
    return [f"{WEB}/{path.relative_to(page).as_posix()}" for path in sorted(page.rglob("*.js"))]


@lru_cache(maxsize=KEPT_FILES)
def _file(path: str, stamp: tuple[int, int, int]) -> tuple[bytes, str]:
    """Return a file's content and its tag, read again when one of its dates or its size is another."""
    body = Path(path).read_bytes()
    return body, _tag(body)


def _tag(body: bytes) -> str:
    return f'"{sha256(body).hexdigest()[:32]}"'


def _told(tag: str) -> dict[str, str]:
    return {"etag": tag, "cache-control": "no-cache"}
