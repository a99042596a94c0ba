import assert from "node:assert/strict";
import { test } from "node:test";

import { batteryGauge, gaugeWords } from "../../web/pictures/battery_gauge.js";

const CAMERAS = [
  { name: "1", current: 0.3 },
  { name: "2", current: undefined },
  { name: "3", current: 0.1 },
];
const near = (one, two) => assert.ok(Math.abs(one - two) < 1e-9, `${one} is not ${two}`);

test("the bar is the time without cameras, and its parts fill it without a gap", () => {
  const gauge = batteryGauge(2400, 0.8, CAMERAS, 45); // 50 min as it is, 100 min without cameras
  near(gauge.left_min, 50);
  near(gauge.full_min, 100);
  assert.deepEqual(
    gauge.slices.map(({ name }) => name),
    ["1", "3"],
  );
  near(gauge.slices[0].minutes, 37.5);
  near(gauge.slices[0].x, gauge.left_width);
  near(gauge.slices[1].x, gauge.slices[0].x + gauge.slices[0].width);
  near(gauge.slices[1].x + gauge.slices[1].width, gauge.width);
  near(gauge.wanted_x, 0.45 * gauge.width);
  assert.equal(gauge.is_short, false);
});

test("what is not known draws nothing, and what is empty has no length", () => {
  for (const [charge, total] of [
    [undefined, 1],
    [NaN, 1],
    [100, undefined],
    [100, 0],
    [100, -1],
  ])
    assert.equal(batteryGauge(charge, total, CAMERAS, 45), null);
  const empty = batteryGauge(-5, 1, CAMERAS, 45);
  assert.deepEqual([empty.left_min, empty.left_width, empty.slices, empty.is_short], [0, 0, [], true]);
  assert.equal(gaugeWords(null, 45), "Battery minutes are not known.");
});

test("cameras that are said to draw more than the whole leave no time without them to tell", () => {
  const gauge = batteryGauge(600, 0.2, CAMERAS, undefined);
  near(gauge.full_min, 50);
  assert.deepEqual([gauge.left_width, gauge.slices.length, gauge.wanted_x], [gauge.width, 0, null]);
});

test("every number of a drawing is finite and inside it, whatever currents come", () => {
  let seed = 7;
  const random = () => {
    seed = (seed * 48271) % 2147483647;
    return seed / 2147483647;
  };
  for (let i = 0; i < 500; i++) {
    const cameras = [0, 1, 2].map((name) => ({ name: String(name), current: random() < 0.3 ? undefined : random() }));
    const gauge = batteryGauge(random() * 4000 - 100, random() * 2 + 0.01, cameras, random() * 300);
    const edges = [0, gauge.left_width, ...gauge.slices.flatMap(({ x, width }) => [x, x + width])];
    for (const x of edges) assert.ok(Number.isFinite(x) && x >= 0 && x <= gauge.width + 1e-6, `${x}`);
  }
});

test("the words say what the drawing shows", () => {
  assert.equal(
    gaugeWords(batteryGauge(2400, 0.8, CAMERAS, 60), 60),
    "50 min left on the pad as things are. " +
      "100 min with the cameras off: camera 1 costs 38 min, camera 3 costs 13 min." +
      " Less than the 60 min asked for.",
  );
  assert.match(gaugeWords(batteryGauge(2400, 0.4, [], undefined)), /^100 min left .*Cameras are off\.$/);
});
