import assert from "node:assert/strict";
import { test } from "node:test";

import { MOST_POINTS, merge, valueRange, windowOf } from "../../web/session/decimate.js";

function table(t, rate_hz = 10) {
  return { t: Float64Array.from(t), n: t.length, meta: { rate_hz }, missing: null };
}

test("a lost packet is a gap, never a line", () => {
  const { x, y } = windowOf(table([0, 0.1, 0.2, 1.2, 1.3]), (row) => row, -1, 5);
  assert.deepEqual(y, [0, 1, 2, null, 3, 4]);
  assert.equal(x[3], 0.7);
});

test("a value that is not finite is a gap with a mark", () => {
  const values = [0, NaN, 2, Infinity, -Infinity];
  const { y, marks } = windowOf(table([0, 0.1, 0.2, 0.3, 0.4]), (row) => values[row], -1, 5);
  assert.deepEqual(y, [0, null, 2, null, null]);
  assert.deepEqual(
    marks.map(({ word }) => word),
    ["not a number", "+infinite", "\u2212infinite"],
  );
});

test("x is ascending and unique although a packet came late", () => {
  const { x, y } = windowOf(table([0, 0.1, 0.3, 0.2, 0.3]), (row) => row, -1, 5);
  assert.deepEqual(x, [0, 0.1, 0.2, 0.3]);
  assert.deepEqual(y, [0, 1, 3, 4]);
});

test("an hour is drawn with few points and loses no spike and no NaN", () => {
  const n = 72000;
  const spikes = { 12345: 500, 54321: -500 };
  const source = table(
    Array.from({ length: n }, (_, i) => i * 0.05),
    20,
  );
  const { x, y, marks } = windowOf(
    source,
    (row) => (row === 30000 ? NaN : (spikes[row] ?? Math.sin(row / 50))),
    -1,
    4000,
  );
  assert.ok(x.length <= MOST_POINTS + 10);
  assert.ok(y.includes(500) && y.includes(-500));
  assert.equal(marks.length, 1);
  assert.ok(y.filter((value) => value === null).length <= 1, "decimation makes no gaps of its own");
  for (let i = 1; i < x.length; i++) assert.ok(x[i] > x[i - 1]);
});

test("rows that thinning spread out stay connected, a real outage among them does not", () => {
  const source = { ...table([0, 2, 4, 6, 26, 28, 28.1, 28.2, 29.2]), coarse: 6 };
  assert.deepEqual(windowOf(source, (row) => row, -1, 99).y, [0, 1, 2, 3, null, 4, 5, 6, 7, null, 8]);
});

test("rows after the cursor are not shown", () => {
  assert.deepEqual(windowOf(table([0, 0.1, 0.2]), (row) => row, -1, 5, 1).y, [0, 1]);
  assert.deepEqual(windowOf(table([0, 0.1, 0.2]), (row) => row, -1, 5, -1).y, []);
});

test("two series share one axis; where one has no point it is undefined, where it has a gap null", () => {
  const merged = merge(
    [
      { x: [0, 1, 2], y: [5, null, 7] },
      { x: [1, 1.5], y: [8, 9] },
    ],
    1,
  );
  assert.deepEqual(merged, [
    [-1, 0, 0.5, 1],
    [5, null, undefined, 7],
    [undefined, 8, 9, undefined],
  ]);
});

test("noise at rest does not fill the strip", () => {
  assert.deepEqual(valueRange([[0.1, -0.1, null]], 20), [-10, 10]);
  assert.deepEqual(valueRange([[null, undefined]], 20), [0, 20]);
  const [low, high] = valueRange([[0, 100]], 20);
  assert.ok(low < 0 && high > 100 && high - low < 120);
});

test("a constant still has a range that can be drawn, narrow for a battery and one unit wide for a zero", () => {
  for (const value of [0, 8.3, -1e6]) {
    const [low, high] = valueRange([[value, value, null]], 0);
    assert.ok(low < value && value < high, `${low} to ${high}`);
  }
  assert.deepEqual(valueRange([[0, 0]], 0), [-0.5, 0.5]);
});
