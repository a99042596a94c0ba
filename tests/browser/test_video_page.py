"""An onboard video whose frames carry their own number, in step with the cursor: paused, stepped and at quarter speed."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from statistics import median

import numpy as np
import pytest

from tests.browser.station import ROOT, Process, eventually

RATE = 30
FRAMES = 420
BITS = 10
LIFT_OFF_FRAME = 75
WIDTH, HEIGHT = 320, 64

# Draw the frame that is shown and read the number its stripes carry, together with what the page says at that instant.
READ = """([width, height, bits]) => {
  const video = document.querySelector('[data-testid="video-1"]');
  const canvas = document.createElement("canvas");
  canvas.width = width; canvas.height = height;
  const pen = canvas.getContext("2d");
  pen.drawImage(video, 0, 0, width, height);
  let number = 0;
  for (let bit = 0; bit < bits; bit++) {
    const [red] = pen.getImageData(Math.round((bit + 0.5) * width / bits), height / 2, 1, 1).data;
    number += red > 128 ? 2 ** bit : 0;
  }
  return { number, says: document.querySelector('[data-testid="video-says-1"]').textContent, seeking: video.seeking };
}"""


def read_page(page: object) -> dict:
    """Return the number of the frame shown, what the page says of it at that instant, and whether a seek is under way."""
    return page.evaluate(READ, [WIDTH, HEIGHT, BITS])


@pytest.fixture(scope="module")
def video(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a film of numbered frames with the system's ffmpeg."""
    ffmpeg = shutil.which("ffmpeg")
    assert ffmpeg is not None, "the video test needs ffmpeg; .ci/run installs it"
    path = tmp_path_factory.mktemp("video") / "nose.webm"
    stripe = np.arange(WIDTH) * BITS // WIDTH
    frames = b"".join(
        np.tile(np.where(number >> stripe & 1, 235, 16).astype(np.uint8), (HEIGHT, 1)).tobytes() for number in range(FRAMES)
    )
    size = f"{WIDTH}x{HEIGHT}"
    source = ["-f", "rawvideo", "-pix_fmt", "gray", "-s", size, "-r", str(RATE), "-i", "-"]
    coded = ["-c:v", "libvpx", "-b:v", "2M", "-g", "15", "-pix_fmt", "yuv420p", str(path)]
    subprocess.run([ffmpeg, "-v", "error", *source, *coded], input=frames, check=True)
    return path


@pytest.fixture
def page(tmp_path: Path, browser: object) -> Iterator[object]:
    """A replay of the calm sample on its Learn place."""
    replay = Process(tmp_path, "replay", str(ROOT / "replay_samples" / "calm.pcapng"), "--no-browser", "--http-port", "0")
    try:
        address = replay.line(r"(http://\S+)")[1]
        page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
        page.goto(address)
        page.locator('[data-testid="replay-banner"]').wait_for()
        page.locator('[data-testid="place-learn"]').click()
        page.locator('[data-testid="learn-files"]').click()
        yield page
        page.context.close()
    finally:
        replay.stop()


def told_frame(read: dict) -> float:
    """Return the frame number that belongs to the second the page says."""
    return float(re.search(r"is ([\d.]+) s of the video", read["says"])[1]) * RATE


def settled(page: object) -> dict:
    """Return what is shown once no seek is under way."""
    page.wait_for_timeout(100)
    eventually(lambda: not read_page(page)["seeking"])
    page.wait_for_timeout(300)
    return read_page(page)


def test_the_frame_shown_is_the_cursors(page: object, video: Path) -> None:
    see = lambda testid: page.locator(f'[data-testid="{testid}"]:visible').first  # noqa: E731
    page.locator('[data-testid="video-file-1"]').set_input_files(str(video))
    eventually(lambda: page.evaluate("document.querySelector('[data-testid=\"video-1\"]').readyState") >= 2, 30)
    # Step to the frame in which the film lifts off, and mark it.
    see("video-slider-1").evaluate(
        f"(el) => {{ el.value = {(LIFT_OFF_FRAME - 3 + 0.5) / RATE}; el.oninput?.(); "
        "el.dispatchEvent(new Event('input')); }"
    )
    eventually(lambda: read_page(page)["number"] == LIFT_OFF_FRAME - 3)
    for number in (1, 2, 3):
        see("video-on-1").click()
        eventually(lambda number=number: read_page(page)["number"] == LIFT_OFF_FRAME - 3 + number)
    see("video-here-1").click()

    # Five places of the cursor, by the scrubber of the replay bar.
    scrub = see("replay-scrub")
    low, high = (float(scrub.get_attribute(name)) for name in ("min", "max"))
    lift_off = float(page.evaluate("fetch('/api/sessions/calm/summary').then((a) => a.json()).then((s) => s.lift_off_t)"))
    shown = []
    for after in (-1.3, 0.0, 0.417, 3.09, 8.85):
        assert low <= lift_off + after <= high
        scrub.evaluate("(el, value) => { el.value = value; el.dispatchEvent(new Event('input')); }", str(lift_off + after))
        read = settled(page)
        assert told_frame(read) == pytest.approx(LIFT_OFF_FRAME + after * RATE, abs=0.5)
        shown.append((read["number"], LIFT_OFF_FRAME + after * RATE))
    # A frame is shown from its own instant on; half a frame's rounding of the mark may move it by one.
    assert all(abs(number - told) <= 1.0 for number, told in shown), shown

    # The quarter-speed pass over the first two seconds: in step all the way, and it ends by itself.
    see("video-pass").click()
    page.wait_for_timeout(700)
    passing = [read_page(page) for _ in range(12) if page.wait_for_timeout(300) is None]
    off = [read["number"] - told_frame(read) for read in passing]
    # A busy machine drops frames while playing, some for long; the paused places above are the exact ones.
    assert median(map(abs, off)) <= 1.5, off
    frames = [read["number"] for read in passing]
    assert frames == sorted(frames) and LIFT_OFF_FRAME - 8 <= frames[0] < frames[-1]
    # The mark is remembered with the session: after a reload the same film needs no second mark.
    page.reload()
    page.locator('[data-testid="place-learn"]').click()
    page.locator('[data-testid="learn-files"]').click()
    page.locator('[data-testid="video-file-1"]').set_input_files(str(video))
    page.wait_for_timeout(500)
    assert not page.locator('[data-testid="video-here-1"]').is_visible()
