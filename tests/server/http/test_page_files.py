"""The page's files over real HTTP: kept by a browser, asked for again, sent again only when they have changed."""

from __future__ import annotations

import asyncio
import os
import re
from pathlib import Path

import pytest

from server.http.page_files import index_page, modules
from server.settings import page_folder
from tests.server.http.page_server import PageServer, run

IMPORTED = re.compile(r"""(?:^|\n)\s*(?:import|export)\s(?:[^"';]*?\sfrom\s)?\s*["'](\.[^"']+)["']""")
PATHS = ("/", "/web/main.js", "/vendor/uplot.min.css")


@pytest.mark.parametrize("path", PATHS)
def test_what_a_browser_has_is_not_sent_again(path: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: PageServer) -> None:
        first = await bench.http.get(path)
        assert first.status_code == 200 and len(first.content) > 1000
        assert first.headers.get_list("cache-control") == ["no-cache"] and "last-modified" not in first.headers
        tag = first.headers["etag"]
        for known in (tag, f"W/{tag}", f'"other", {tag}'):
            again = await bench.http.get(path, headers={"if-none-match": known})
            assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
            assert again.headers.get_list("cache-control") == ["no-cache"]
            assert again.headers["content-security-policy"] == first.headers["content-security-policy"]
        for other in ('"other"', ""):
            assert (await bench.http.get(path, headers={"if-none-match": other})).content == first.content
        late = {"if-modified-since": "Fri, 31 Dec 2100 23:59:59 GMT"}
        assert (await bench.http.get(path, headers=late)).status_code == 200, "a date says nothing about a page"

    run(what, tmp_path, monkeypatch, mode="replay")


def test_data_is_never_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: PageServer) -> None:
        for path in ("/api/about", "/api/sessions", "/nothing", "/web/nothing.js"):
            assert (await bench.http.get(path)).headers.get_list("cache-control") == ["no-store"], path

    run(what, tmp_path, monkeypatch, mode="replay")


def test_a_changed_file_is_sent_again_whatever_its_date(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = tmp_path / "page"
    page.mkdir()
    (page / "index.html").write_bytes(b'<script type="module" src="/web/main.js"></script>')
    (page / "main.js").write_bytes(b"one")

    async def what(bench: PageServer) -> None:
        first = await bench.http.get("/web/main.js")
        stood = (page / "main.js").stat()
        await asyncio.sleep(0.05)  # longer than the clock of a file system ticks
        (page / "main.js").write_bytes(b"two")
        os.utime(page / "main.js", ns=(stood.st_atime_ns, stood.st_mtime_ns))  # as an installer may date what it unpacks
        changed = await bench.http.get("/web/main.js", headers={"if-none-match": first.headers["etag"]})
        assert (first.content, changed.content) == (b"one", b"two")
        before = (await bench.http.get("/")).headers["etag"]
        (page / "more.js").write_bytes(b"")
        assert (await bench.http.get("/", headers={"if-none-match": before})).status_code == 200

    monkeypatch.setattr("tests.server.http.page_server.page_folder", lambda: page)
    run(what, tmp_path, monkeypatch, mode="replay")


def reached(page: Path) -> set[Path]:
    """Return main.js and every module that it imports, or one of them."""
    found: set[Path] = set()
    ahead = [page / "main.js"]
    while ahead:
        module = ahead.pop().resolve()
        if module not in found:
            found.add(module)
            ahead += [module.parent / name for name in IMPORTED.findall(module.read_text("utf-8"))]
    return found


def test_all_modules_of_the_import_graph_are_asked_for_at_once() -> None:
    page = page_folder().resolve()
    html = index_page(page).decode()
    preloaded = re.findall(r'<link rel="modulepreload" href="/web/([^"]+)">', html)
    assert preloaded == [address.removeprefix("/web/") for address in modules(page)]
    assert {page / name for name in preloaded} == reached(page), "a module nobody imports, or one that is not sent"
    assert len(preloaded) > 50 and html.index("modulepreload") < html.index('<script type="module"')
