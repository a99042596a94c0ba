"""The short form of `tests.fuzz.openapi`, and what can be read off the document itself.

The module is imported in the tests, since it brings Schemathesis, and every worker collects every file.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import httpx

CHANGES = {"put", "post", "delete", "patch"}


def digest(folder: Path) -> dict[str, str]:
    """Return every file under a folder with a digest of its bytes, but for caches that may be made anew at any time."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file() and "shelf-index" not in path.name)
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def test_every_answer_is_as_the_document_says(tmp_path: Path) -> None:
    """Oracle: Schemathesis."""
    from tests.fuzz.openapi import Server, attack

    server = Server(tmp_path)
    answers, wrong = attack(server, 6, seed=7)
    assert server.alive
    said = server.stop()
    assert not wrong, wrong
    assert not [line for line in said if "Traceback" in line]
    log = tmp_path / "sessions" / "blockhouse.log"
    assert not log.exists() or "Traceback" not in log.read_text()
    assert not [answer for answer in answers if answer[1] >= 500]
    assert {label.split()[0] for (label, code) in answers if code == 200} == {"GET", "PUT", "POST", "DELETE"}


def test_no_get_changes_anything_and_no_change_goes_without_a_token(tmp_path: Path) -> None:
    from tests.fuzz.openapi import REAL, Server

    server = Server(tmp_path)
    with httpx.Client(base_url=server.url, timeout=60) as client:
        document = client.get("/api/openapi.json").json()
        for name in REAL:  # what is worked out once and kept is made before the comparison
            client.get(f"/api/sessions/{name}/summary")
        client.get("/api/sessions")
        before = digest(tmp_path)
        asked = 0
        for path, operations in document["paths"].items():
            for method in operations:
                for name in ("calm", "bench-trial"):
                    where = path.format(name=name, entry=f"0 {name}", kind="csv")
                    query = {"sessions": "calm,bench-trial", "act": "delete", "method": "DELETE", "label": "changed"}
                    answer = client.request(
                        method, where, params=query, json={"label": "changed"} if method in CHANGES else None
                    )
                    asked += 1
                    if method in CHANGES:
                        assert answer.status_code == 401, (method, where, answer.text)
                    else:
                        assert method == "get" and answer.status_code in (200, 404, 409, 422), (method, where, answer.text)
        assert asked >= 2 * 20
    server.stop()
    assert digest(tmp_path) == before
