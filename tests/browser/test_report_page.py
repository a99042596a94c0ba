"""The report in a real browser with the network off: it shows itself, and no request leaves."""

from __future__ import annotations

from pathlib import Path

from server.cli.cli import main
from tests.server.flights import flown, recorded


def test_a_saved_report_opens_offline(tmp_path: Path, browser: object) -> None:
    session = recorded(tmp_path, flown("gusty-rail"))
    out = tmp_path / "report.html"
    assert main(["report", str(session), str(out)]) == 0
    context = browser.new_context(offline=True, viewport={"width": 1000, "height": 900})
    page = context.new_page()
    requests: list[str] = []
    problems: list[str] = []
    page.on("request", lambda request: requests.append(request.url))
    page.on("console", lambda message: problems.append(message.text))
    page.on("pageerror", lambda error: problems.append(str(error)))
    page.goto(out.as_uri())
    assert page.locator("h1").inner_text() == "flight"
    boxes = [svg.bounding_box() for svg in page.locator("svg").all()]
    assert len(boxes) == 7 and all(box["width"] > 600 and box["height"] > 100 for box in boxes)
    line = page.locator("svg .line0").first
    assert line.bounding_box()["height"] > 50 and line.evaluate("e => getComputedStyle(e).fill") == "none"
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing runs off the side"
    page.emulate_media(media="print")
    assert len(page.pdf()) > 20_000
    context.close()
    assert requests == [out.as_uri()] and problems == []
