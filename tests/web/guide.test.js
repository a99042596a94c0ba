import assert from "node:assert/strict";
import { test } from "node:test";

import { aboutToHappen, STEPS, secondsToIgnition } from "../../web/frame/guide.js";
import { meaning } from "../../web/kit/keys.js";

const demo = { mode: "demo", ignites_t: 40, rate: 2 };
const view = (t, { liftOff = false, live = true } = {}) => ({
  cursor: { t, live },
  moment: (key) => (key === "lift_off" && liftOff ? { t: 40.3 } : undefined),
});

test("the demonstration counts to its ignition by the vehicle's clock and the rate it runs at", () => {
  assert.equal(secondsToIgnition(demo, view(10)), 15);
  assert.equal(secondsToIgnition(demo, view(50)), 0);
  assert.equal(secondsToIgnition(demo, view(50, { liftOff: true })), null);
  assert.equal(secondsToIgnition({ mode: "live" }, view(10)), null, "of a real vehicle nobody knows");
  assert.equal(secondsToIgnition(demo, view(10, { live: false })), null);
  assert.match(aboutToHappen(15), /lights by itself in 15 s/);
  assert.match(aboutToHappen(null), /flies, or has flown/);
});

test("five steps lead through the places", () => {
  assert.equal(STEPS.length, 5);
  assert.deepEqual([...new Set(STEPS.map(([place]) => place))], ["ready", "watch", "find", "learn"]);
});

test("1 to 5 change places and ? shows the keys, but not while somebody types", () => {
  const press = (key, target = { tagName: "BODY" }, more = {}) => meaning({ key, target, ...more }, { replay: false });
  assert.deepEqual(
    ["1", "2", "3", "4", "5"].map((key) => press(key)[1]),
    ["try", "ready", "watch", "find", "learn"],
  );
  assert.deepEqual(press("?", undefined, { shiftKey: true }), ["keys"]);
  for (const tagName of ["INPUT", "SELECT", "TEXTAREA"]) assert.equal(press("3", { tagName, type: "text" }), null);
  assert.equal(press("3", undefined, { ctrlKey: true }), null, "the browser's own");
  assert.equal(press("6"), null);
});
