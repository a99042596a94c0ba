import assert from "node:assert/strict";
import { test } from "node:test";

import { pastWords } from "../../web/panels/try/trial_history.js";
import { branchesOf, percent, scoreSentences } from "../../web/panels/try/trial_result.js";
import { BOX, barsOf, histogramShapes, histogramWords, scaleOf } from "../../web/pictures/histogram.js";
import { boundShare, shareDone, trackCells } from "../../web/pictures/trial_track.js";

const RESULT = {
  runs: 40,
  passed: 40,
  failed: 0,
  planned: 40,
  confidence: 0.95,
  upper_bound: 0.07216,
  interval: [0, 0.0881],
  first_failure: null,
};

test("a share has three significant digits and never looks like nothing", () => {
  assert.deepEqual([0, 0.0721575, 0.5, 1, 0.999, 0.00029953].map(percent), [
    "0 %",
    "7.22 %",
    "50.0 %",
    "100 %",
    "99.9 %",
    "0.0300 %",
  ]);
  assert.equal(percent(null), "\u2013\u2013");
});

test("the score says which bound and which interval it gives", () => {
  const [score, bound, more] = scoreSentences(RESULT);
  assert.equal(score, "40 of 40 runs passed, 0 failed; 40 were planned.");
  assert.equal(
    bound,
    "Failure rate at most 7.22 % (one-sided exact bound, 95 %); 0 % to 8.81 % (two-sided exact interval, 95 %).",
  );
  assert.equal(more, undefined);
});

test("the first failure says where it was, also outside the cycles", () => {
  const first = { run: 2, cycle: 1, variant: "channel 2", step: "Arm", cause: "refused" };
  assert.equal(
    scoreSentences({ ...RESULT, first_failure: first }).at(-1),
    "First failure: run 2, cycle 1, channel 2, Arm: refused",
  );
  assert.equal(
    scoreSentences({ ...RESULT, first_failure: { ...first, run: 0, variant: "" } }).at(-1),
    "First failure: outside the cycles, Arm: refused",
  );
  assert.equal(scoreSentences({ ...RESULT, runs: 0 }).length, 1, "nothing tried says nothing about a rate");
});

test("the bars of a histogram stand at their times, the fullest to the top", () => {
  const bars = barsOf({ from: 0.1, width: 0.05, counts: [2, 0, 8, 4] });
  assert.deepEqual(
    bars.map(({ height }) => height),
    [0.25, 0, 1, 0.5],
  );
  assert.ok(Math.abs(bars[2].low - 0.2) < 1e-12 && Math.abs(bars[3].high - 0.3) < 1e-12);
});

const TIMES = {
  count: 100,
  median: 0.2,
  p99: 0.31,
  greatest: 1.847,
  beyond: [1.847],
  histogram: { from: 0.1, width: 0.05, counts: [9, 60, 20, 10] },
};

test("pictures of one result share one scale, and what is beyond is said instead of drawn", () => {
  const other = { from: 0.4, width: 0.1, counts: [5] };
  const scale = scaleOf([TIMES.histogram, other]);
  assert.deepEqual(scale, [0.1, 0.5]);
  const { bars, beyond, ends, median } = histogramShapes(TIMES, scale);
  assert.equal(beyond, "1 beyond: 1847 ms");
  assert.deepEqual(ends, ["100", "500"]);
  const inside = BOX.width - BOX.left - BOX.right;
  assert.ok(Math.abs(bars.at(-1).x + bars.at(-1).width - (BOX.left + inside / 2)) < 1, "half of the scale is its own");
  assert.ok(Math.abs(median - (BOX.left + inside / 4)) < 1e-9);
  assert.match(histogramWords("Arm", TIMES), /^Arm: 100 times from 100 to 300 milliseconds.*; 1 beyond: 1847 ms$/);
  assert.equal(histogramShapes({ ...TIMES, beyond: undefined }, scale).beyond, "", "a recording of before");
});

test("a trial moves with every step, and every run has its place", () => {
  const progress = { run: 1, runs: 4, passed: 0, failed: 0, step_number: 13, steps: 104 };
  assert.deepEqual(
    trackCells(progress).map(({ filled }) => filled),
    [0.5, 0, 0, 0],
  );
  assert.deepEqual(shareDone(progress), { share: 0.125, words: "step 13 of 104" });
  assert.deepEqual(
    trackCells({ runs: 4, passed: 2, failed: 0 }).map(({ filled }) => filled),
    [1, 1, 0, 0],
    "a recording of before tells runs only",
  );
  assert.equal(trackCells({ runs: 10000, passed: 0, failed: 0, step_number: 0, steps: 1 }).length, 60);
  assert.deepEqual(
    trackCells({ runs: 2, passed: 1, failed: 1, step_number: 4, steps: 4 }).map(({ bad }) => bad),
    [false, true],
  );
});

test("past trials are told with their bound, and one cycle is one", () => {
  const past = { plan: "arm", cycles: 1, runs: 4, passed: 4, bound: 0.527, outcome: "passed", safe: true, rx: 5 };
  assert.equal(pastWords(past), "this session: 1 cycle, 4 of 4 passed, failure rate at most 52.7 %");
  assert.match(
    pastWords({ ...past, outcome: "failed", safe: false, cycles: 2 }),
    /2 cycles.*, failed, NOT seen to be safe$/,
  );
  assert.deepEqual([boundShare(1), boundShare(0)], [1, 0]);
  assert.ok(boundShare(0.07) > boundShare(0.02) && boundShare(1e-9) > 0);
});

test("a sweep is drawn as what is missing to the angle asked, one line each way", () => {
  const place = (commanded, measured, direction) => ({ commanded, measured, direction });
  const { rising, falling } = branchesOf([
    place(0.1, 0.09, 1),
    place(0, -0.01, 1),
    place(0, 0.01, -1),
    place(0.2, 0.2, 0),
  ]);
  assert.deepEqual(
    rising.map(({ x }) => Math.round(x * 100) / 100),
    [0, 5.73],
  );
  assert.ok(rising.every(({ y }) => Math.abs(y + 0.5729578) < 1e-6));
  assert.ok(falling.length === 1 && Math.abs(falling[0].y - 0.5729578) < 1e-6);
});
