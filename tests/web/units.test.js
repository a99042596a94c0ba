// A person's units: the same factors, rounding and sentences as the station's, remembered, SI underneath.

import assert from "node:assert/strict";
import { afterEach, test } from "node:test";

import { amount, distance, lengthText, speedText, valueText, valueWithUnit, withSigns } from "../../web/kit/format.js";
import { chooseUnits, setUnits, shownUnit, unitsAtFirst, unitsName, unitsQuery } from "../../web/kit/units.js";
import { vectors } from "./vectors.js";

afterEach(() => setUnits("metric"));

/** Rounding at a half goes either way: the same number within one unit of its last digit. */
function assertSame(shown, said, digits) {
  const parted = (text) =>
    text
      .replace("\u2212", "-")
      .match(/^(\S+) (.+)$/)
      .slice(1);
  const [[one, unit], [other, theirs]] = [parted(shown), parted(said)];
  assert.equal(unit, theirs);
  assert.ok(Math.abs(one - other) <= 1.001 * 10 ** -digits && one.length === other.length, `${shown} | ${said}`);
}

test("an amount is read as the station writes it in the same choice", () => {
  for (const { name, of, amounts } of vectors("units")) {
    setUnits(name);
    assert.deepEqual([shownUnit("m"), shownUnit("m/s")], [of.m, of["m/s"]]);
    for (const { si, digits, ...told } of amounts) {
      assertSame(lengthText(si, digits), told.m, digits);
      assertSame(speedText(si, digits), told["m/s"], digits);
      assertSame(amount(si, "m/s", digits), told["m/s"], digits);
    }
  }
});

test("a sentence of the station's keeps its numbers and has the chosen ones beside", () => {
  for (const { name, sentences } of vectors("units")) {
    setUnits(name);
    for (const { text, read } of sentences) assert.equal(withSigns(text), read);
  }
});

test("a channel in meters is read in feet; what has another unit, and a bad number, stays", () => {
  setUnits("imperial");
  const height = { kind: "number", unit: "m", display_unit: "m", display_scale: 1 };
  assert.equal(valueWithUnit(height, 100), "328.1 ft");
  assert.equal(valueText(height, Number.NaN), "not a number");
  assert.equal(valueWithUnit({ kind: "number", unit: "m/s", display_unit: "m/s" }, 44.704), "100.0 mph");
  assert.equal(valueWithUnit({ kind: "number", unit: "m/s2", display_unit: "m/s2" }, 9.81), "9.8 m/s\u00b2");
  assert.deepEqual([distance(58), distance(20000), distance(undefined)], ["190 ft", "12.4 mi", "\u2013\u2013"]);
});

test("the person's own choice is kept and comes before the station's", () => {
  const kept = new Map();
  const storage = { getItem: (key) => kept.get(key) ?? null, setItem: (key, value) => kept.set(key, value) };
  assert.equal(unitsAtFirst(storage, undefined), "metric");
  assert.equal(unitsAtFirst(storage, "imperial"), "imperial");
  chooseUnits(storage, "metric");
  assert.equal(unitsAtFirst(storage, "imperial"), "metric");
  chooseUnits(storage, "furlongs");
  assert.equal(unitsName(), "metric");
  chooseUnits(storage, "imperial");
  assert.equal(unitsQuery(), "?units=imperial");
});
