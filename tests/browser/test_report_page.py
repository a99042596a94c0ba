"""The report in a real browser with the network off: it shows itself, and no request leaves."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.cli.cli import main
from server.settings import sample_folder
from tests.server.flights import flown, recorded

BEFORE_PX = 12_490  # of `calm` at 1366 wide, as the report was at commit 4162115 (tables of every figure)
# Every pair of texts of one picture whose boxes cover some same place, and names that leave their picture.
MEETING = """() => {
  const found = [];
  for (const svg of document.querySelectorAll('svg')) {
    const frame = svg.getBoundingClientRect();
    const boxes = [...svg.querySelectorAll('text')].map((text) => [text.textContent, text.getBoundingClientRect()]);
    boxes.forEach(([name, a], number) => {
      if (a.left < frame.left - 1 || a.right > frame.right + 1) found.push(`${name} leaves its picture`);
      for (const [other, b] of boxes.slice(0, number))
        if (a.left < b.right && b.left < a.right && a.top + 1 < b.bottom && b.top + 1 < a.bottom)
          found.push(`${name} / ${other}`);
    });
  }
  return found;
}"""


@pytest.mark.parametrize("sample", ["calm", "gusty-bad-number", "thin-link", "bench-trial"])
def test_labels_lie_beside_each_other_and_it_is_a_third_as_long(tmp_path: Path, browser: object, sample: str) -> None:
    out = tmp_path / "report.html"
    assert main(["report", str(sample_folder() / f"{sample}.pcapng"), str(out)]) == 0
    for width, units in ((1366, "metric"), (1366, "imperial"), (390, "metric")):
        assert main(["report", str(sample_folder() / f"{sample}.pcapng"), str(out), "--units", units]) == 0
        page = browser.new_page(viewport={"width": width, "height": 768})
        page.goto(out.as_uri())
        assert page.locator("svg text").count() > 8, "there are labels to look at"
        assert page.evaluate(MEETING) == []
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing runs off the side"
        height = page.evaluate("document.documentElement.scrollHeight")
        print(f"{sample} at {width}, {units}: {height} px")
        assert width != 1366 or height <= BEFORE_PX / 3
        page.close()


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_no_picture_is_cut_by_a_page(tmp_path: Path, browser: object, paper: str) -> None:
    out = tmp_path / "report.html"
    assert main(["report", str(sample_folder() / "gusty-bad-number.pcapng"), str(out)]) == 0
    page = browser.new_page()
    page.goto(out.as_uri())
    page.emulate_media(media="print")
    broken = page.locator("svg").evaluate_all("all => all.filter((e) => getComputedStyle(e).breakInside !== 'avoid').length")
    assert broken == 0
    pages = page.pdf(format=paper).count(b"/Type /Page\n")
    print(f"{paper}: {pages} pages")
    assert 2 <= pages <= 4
    page.close()


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
    assert len(boxes) == 4 and all(box["width"] > 300 and box["height"] > 200 for box in boxes)
    line = page.locator("svg .line0").first
    assert line.bounding_box()["height"] > 30 and line.evaluate("e => getComputedStyle(e).fill") == "none"
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing runs off the side"
    page.emulate_media(media="print")
    assert len(page.pdf()) > 20_000
    context.close()
    assert requests == [out.as_uri()] and problems == []
