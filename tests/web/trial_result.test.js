import assert from "node:assert/strict";
import { test } from "node:test";

import { barsOf, branchesOf, percent, scoreSentences } from "../../web/panels/try/trial_result.js";

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

test("the bars of a histogram fill the picture, the fullest to the top", () => {
  const bars = barsOf({ from: 0.1, width: 0.05, counts: [2, 0, 8, 4] });
  assert.deepEqual(
    bars.map(({ x, width }) => [x, width]),
    [
      [0, 0.25],
      [0.25, 0.25],
      [0.5, 0.25],
      [0.75, 0.25],
    ],
  );
  assert.deepEqual(
    bars.map(({ height }) => height),
    [0.25, 0, 1, 0.5],
  );
  assert.ok(Math.abs(bars[2].low - 0.2) < 1e-12 && Math.abs(bars[3].high - 0.3) < 1e-12);
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
