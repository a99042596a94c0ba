"""What the routes share: a session opened twice is computed once, and only the last few stay open."""

from __future__ import annotations

from pathlib import Path

from server.http.context import PageContext
from server.http.security import TokenGuard
from server.shelf.shelf import Shelf


def test_a_site_keeps_only_the_last_two_opened_sessions(tmp_path: Path) -> None:
    site = PageContext("1", "replay", Shelf(tmp_path), tmp_path, tmp_path, {}, TokenGuard({}))
    for name in ("a", "b", "c"):
        site.opened.append((name, (), None, b""))
    assert [item[0] for item in site.opened] == ["b", "c"]


def test_two_sites_share_nothing(tmp_path: Path) -> None:
    one, two = (
        PageContext("1", "live", Shelf(tmp_path), tmp_path, tmp_path, {"1": "t"}, TokenGuard({"1": "t"})) for _ in range(2)
    )
    one.operators["Ada 1"] = None
    one.opened.append(("a", (), None, b""))
    assert not two.operators and not two.opened
