// What cameras cost in pad minutes, by hand-computed values.

import assert from "node:assert/strict";
import { test } from "node:test";

import { chargeToSpend, minutes, padCost } from "../../web/panels/ready/pad_time.js";

const SHEET = { battery_capacity_mah: 1000, flight_reserve_mah: 200 };

test("what may be spent is capacity less reserve less what was drawn, one mAh being 3.6 C", () => {
  assert.equal(chargeToSpend(SHEET, 0), 2880);
  assert.equal(chargeToSpend(SHEET, 360), 2520);
});

test("without capacity, reserve or charge used nothing is claimed", () => {
  assert.equal(chargeToSpend(null, 0), undefined);
  assert.equal(chargeToSpend({ battery_capacity_mah: 1000 }, 0), undefined);
  assert.equal(chargeToSpend({ flight_reserve_mah: 200 }, 0), undefined);
  assert.equal(chargeToSpend(SHEET, NaN), undefined);
  assert.equal(chargeToSpend(SHEET, undefined), undefined);
  assert.equal(padCost(undefined, 0.8, 0.3), undefined);
  assert.equal(minutes(2880, 0), undefined);
});

test("800 mAh last 4 h at 0.2 A, 96 min at 0.5 A, so 0.3 A of cameras cost 144 min", () => {
  const cost = padCost(2880, 0.5, 0.3);
  assert.ok(Math.abs(cost.without - 240) < 1e-9 && Math.abs(cost.now - 96) < 1e-9 && Math.abs(cost.cost - 144) < 1e-9);
});

test("cameras that draw nothing cost nothing, and a spent battery leaves no minutes", () => {
  assert.equal(padCost(2880, 0.5, 0), undefined);
  assert.equal(padCost(2880, 0.5, NaN), undefined);
  assert.equal(minutes(-5, 0.5), 0);
});
