import assert from "node:assert/strict";
import { test } from "node:test";
import { insideFrame, steer, videoTime } from "../../web/panels/learn/video_panel.js";

test("a moment of the flight is a second of the video", () => {
  assert.equal(videoTime(25, 20, 3.5), 8.5);
});

test("a paused video stands in the middle of the frame that shows the moment", () => {
  const frame = 1 / 25;
  for (let n = 0; n < 200; n++) {
    for (const part of [0, 0.1, 0.5, 0.99]) {
      const at = insideFrame((n + part) * frame, frame);
      assert.equal(Math.floor(at / frame), n);
      assert.ok(Math.abs(at / frame - n - 0.5) < 1e-9);
    }
  }
});

test("a playing video is pulled, not thrown, unless it is far off", () => {
  assert.deepEqual(steer(5, 5, 0.25), { rate: 0.25 });
  assert.ok(steer(5.05, 5, 1).rate > 1 && steer(5.05, 5, 1).seek === undefined);
  assert.ok(steer(4.95, 5, 1).rate < 1);
  assert.deepEqual(steer(9, 5, 1), { seek: 9, rate: 1 });
});

test("steering brings any start to within half a frame of 30 a second, in two seconds of a quarter-speed pass", () => {
  for (const start of [-0.24, -0.1, 0.05, 0.24]) {
    let video = 10 + start;
    let target = 10;
    for (let i = 0; i < 120; i++) {
      video += steer(target, video, 0.25).rate / 60;
      target += 0.25 / 60;
    }
    assert.ok(Math.abs(video - target) < 1 / 15, `${start}: ${video - target}`);
  }
});
