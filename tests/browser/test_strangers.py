"""Strangers in a real Chromium: a name turned to this machine, a page from elsewhere, texts that want to be markup."""

from __future__ import annotations

import contextlib
import http.server
import json
import re
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from protocol.dictionary_file import load_dictionary
from tests.browser.station import CHROMIUM_ARGUMENTS, ROOT, Process, chromium_path, eventually

ELSEWHERE = "elsewhere.test"  # RFC 6761: .test belongs to nobody
MARK = "<img src=x onerror=window.hit=1><script>window.hit=1</script>"
ATTEMPTS = (ROOT / "tests" / "browser" / "stranger.js").read_text()


class Elsewhere(http.server.BaseHTTPRequestHandler):
    """A stranger's page."""

    def do_GET(self) -> None:  # noqa: N802 - the library's name
        """Serve an empty page."""
        body = b"<!doctype html><title>elsewhere</title><body>a stranger's page</body>"
        self.send_response(200)
        self.send_header("content-type", "text/html")
        self.send_header("content-length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def elsewhere() -> Iterator[int]:
    """The port of a stranger's page server on this machine."""
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Elsewhere)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield server.server_address[1]
    server.shutdown()
    server.server_close()


@pytest.fixture
def station(tmp_path: Path) -> Iterator[tuple[str, str]]:
    """A live station with a twin on the bench and one old session on its shelf; gives its address and token."""
    (tmp_path / "sessions").mkdir()
    shutil.copy(ROOT / "replay_samples" / "calm.pcapng", tmp_path / "sessions")
    twin = Process(tmp_path, "twin", "--listen", "socket://127.0.0.1:0", "--ignite-after", "100000")
    port = twin.line(r"(socket://\S+)")[1]
    station = Process(tmp_path, "live", "--port", port, "--no-browser", "--http-port", "0")
    found = station.line(r"(http://[^/]+)/#operator=(\S+)")
    yield found[1], found[2]
    station.stop()
    twin.stop()


@pytest.fixture(scope="module")
def browser(launched: list[object]) -> Iterator[object]:
    """A Chromium that finds the stranger's name on this machine."""
    rule = f"--host-resolver-rules=MAP {ELSEWHERE} 127.0.0.1"
    browser = launched[0].browser_type.launch(executable_path=chromium_path(), args=[*CHROMIUM_ARGUMENTS, rule])
    yield browser
    browser.close()


@contextlib.contextmanager
def tab(browser: object) -> Iterator[object]:
    """A page of somebody who was never here before."""
    context = browser.new_context(viewport={"width": 1366, "height": 768})
    yield context.new_page()
    context.close()


def nothing_happened(url: str) -> None:
    """The session is there, under its own label, and nobody signed in."""
    [calm] = [one for one in httpx.get(f"{url}/api/sessions").json() if one["name"] == "calm"]
    assert calm["label"] in ("", "calm", None) or "taken" not in calm["label"]
    assert httpx.get(f"{url}/api/sessions/calm/notes").json()["label"] == ""


def test_the_page_itself_can_do_what_strangers_try(station: tuple[str, str], browser: object) -> None:
    """Or the tests below would prove nothing."""
    url, token = station
    with tab(browser) as page:
        page.goto(url)
        told = page.evaluate(ATTEMPTS, [url, token])
    assert told["read"] == "basic 200" and told["json"] == "basic 200" and told["delete"] == "basic 200"
    assert told["view"].startswith("heard") and told["desk"].startswith("heard"), told
    assert told["script"] == "loaded"
    assert httpx.get(f"{url}/api/trash").json() != []


def test_a_strangers_name_turned_to_this_machine_reaches_nothing(station: tuple[str, str], browser: object) -> None:
    """DNS rebinding: the browser believes the station to be the stranger's own origin."""
    url, token = station
    port = url.rsplit(":", 1)[1]
    with tab(browser) as page:
        answer = page.goto(f"http://{ELSEWHERE}:{port}/")
        assert answer.status == 421 and "does not answer under that name" in page.inner_text("body")
        told = page.evaluate(ATTEMPTS, [f"http://{ELSEWHERE}:{port}", token])
    assert {name: told[name] for name in ("read", "no-cors", "simple post", "json", "delete")} == {
        "read": "basic 421",
        "no-cors": "basic 421",
        "simple post": "basic 421",
        "json": "basic 421",
        "delete": "basic 421",
    }
    assert told["view"] == told["desk"] == "closed 1006", told
    assert told["script"] == "not loaded"
    nothing_happened(url)


@pytest.mark.parametrize("host", [ELSEWHERE, "127.0.0.1"])
def test_a_page_from_elsewhere_reaches_nothing(station: tuple[str, str], elsewhere: int, host: str, browser: object) -> None:
    """Another site, and another port of this machine, which a browser calls the same site. Even with the token."""
    url, token = station
    with tab(browser) as page:
        page.goto(f"http://{host}:{elsewhere}/")
        told = page.evaluate(ATTEMPTS, [url, token])
        for name in ("read", "json", "delete"):
            assert told[name] == "failed: TypeError", told
        assert told["no-cors"].startswith("opaque") and told["simple post"].startswith("opaque"), "sent, unread, refused"
        assert told["view"] == told["desk"] == "closed 1006", told
        assert told["script"] == "not loaded"
        # A window it opens, which it may not look into, and a form, which any page may send.
        with page.expect_popup() as popup:
            page.evaluate("(url) => { window.other = window.open(url + '/', 'other'); }", url)
        eventually(lambda: popup.value.title() == "Blockhouse")
        assert (
            page.evaluate("() => { try { return window.other.document.title; } catch (e) { return e.name; } }")
            != "Blockhouse"
        )
        with page.expect_popup() as form:
            page.evaluate(
                """(url) => { const f = document.createElement("form"); f.method = "post"; f.target = "_blank";
                f.action = url + "/api/trash/0%20calm/restore"; document.body.append(f); f.submit(); }""",
                url,
            )
        eventually(lambda: "refused" in form.value.inner_text("body"))
        frames = [frame for frame in page.frames if frame.url.startswith(url)]
        assert not [frame for frame in frames if frame.locator("[data-testid]").count()], "framed nowhere"
    nothing_happened(url)


# ---------------------------------------------------------------- texts that want to be markup


def marked(text: str) -> str:
    """Put markup into every free text of a dictionary or sheet."""
    return re.sub(r'\b(description|title|does|label|motor|caution)( *= *)"', lambda m: f'{m[1]}{m[2]}"{MARK}', text)


def places(page: object) -> str:
    """Go to every place; return all text that was to be seen."""
    seen = []
    for place in ("try", "ready", "watch", "find", "learn"):
        page.locator(f'[data-testid="place-{place}"]:visible').first.click()
        page.wait_for_timeout(400)
        folded = page.locator("details:not([open]) > summary:visible")
        for _ in range(min(20, folded.count())):
            folded.first.click()  # one that is open is none of them any more
        seen.append(page.inner_text("body"))
    return "\n".join(seen)


def harmless(page: object) -> None:
    """Nothing that was text became an element or ran."""
    assert page.evaluate("window.hit") is None
    assert page.locator('img[src="x"]').count() == 0
    assert page.locator("body script").count() == 0


def test_markup_in_every_text_is_shown_as_text(tmp_path: Path, browser: object) -> None:
    source = (ROOT / "protocol" / "sandpiper.toml").read_text()
    dictionary = tmp_path / "marked.toml"
    dictionary.write_text(re.sub(r'^vehicle = ".*"', f'vehicle = "{MARK}"', marked(source), flags=re.M))
    assert load_dictionary(dictionary).vehicle == MARK
    sheet = tmp_path / "sheet.toml"
    sheets = marked((ROOT / "server" / "design" / "sheets" / "sandpiper.toml").read_text())
    sheet.write_text(re.sub(r'^name = ".*"', f'name = "{MARK}"', sheets, flags=re.M))
    home = tmp_path / "home"
    twin = Process(home, "twin", "--listen", "socket://127.0.0.1:0", "--rate", "8", "--ignite-after", "8")
    url = twin.line(r"(socket://\S+)")[1]
    more = ("--dictionary", str(dictionary), "--sheet", str(sheet))
    station = Process(home, "live", "--port", url, "--no-browser", "--http-port", "0", *more)
    problems: list[str] = []
    with tab(browser) as page:
        page.on("console", lambda message: problems.append(message.text) if "Content Security" in message.text else None)
        page.on("pageerror", lambda error: problems.append(str(error)))
        page.goto(station.line(r"(http://\S+#operator=\S+)")[1])
        eventually(lambda: page.locator('[data-testid="status-link"]:visible').first.inner_text() == "Up", 20)
        text = places(page)
        assert text.count(MARK[:20]) > 10, "the texts are there"
        harmless(page)
    station.stop()
    twin.stop()

    # The recording carries the texts; its name, what is noted beside it and a log's columns carry more.
    [session] = (home / "sessions").glob("*.pcapng")
    name = "<img src=x onerror=window.hit=1>"
    session = session.rename(session.with_name(f"{name}.pcapng"))
    (home / "sessions" / f"{name}.notes.json").write_text(
        json.dumps({"blockhouse_notes": 1, "label": f"{MARK}", "notes": MARK, "videos": [{"name": MARK, "lift_off_s": 1.0}]})
    )
    log = tmp_path / f"{name.replace('/', '')}.csv"
    log.write_text(f"time,{MARK},{MARK}b\n" + "".join(f"{i / 100},{i},{i * 2}\n" for i in range(500)))
    replay = Process(home, "replay", str(session), "--no-browser", "--http-port", "0")
    found = replay.line(r"(http://[^/]+)(/#shelf=\S+)")
    with tab(browser) as page:
        page.on("console", lambda message: problems.append(message.text) if "Content Security" in message.text else None)
        page.on("pageerror", lambda error: problems.append(str(error)))
        page.goto(found[1] + found[2])
        page.locator('[data-testid="onboard-file"]').first.set_input_files(str(log))
        assert MARK[:20] in places(page)
        harmless(page)
        # The report is opened by itself, without this page's policy: it must be harmless all alone.
        saved = httpx.get(f"{found[1]}/api/sessions/{name.replace('/', '%2F')}/report", timeout=60)
        assert saved.status_code == 200, saved.text
        report = tmp_path / "report.html"
        report.write_bytes(saved.content)
        page.goto(report.as_uri())
        page.wait_for_timeout(300)
        assert MARK[:20] in page.inner_text("body")
        harmless(page)
    replay.stop()
    assert problems == []
