import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";

import * as format from "../../web/kit/format.js";

const DEG = { kind: "number", unit: "rad", display_unit: "deg", display_scale: 180 / Math.PI, display_offset: 0 };
const CELSIUS = {
  kind: "number",
  unit: "K",
  display_unit: "degC",
  display_scale: 1,
  display_offset: -273.15,
  limits: { caution_high: 338.15, warning_high: 353.15 },
};

test("what is not a number is said in words and never rounded away", () => {
  assert.deepEqual(
    [NaN, Infinity, -Infinity].map((value) => format.fixed(value)),
    ["not a number", "+infinite", "\u2212infinite"],
  );
  assert.equal(format.fixed(undefined), format.NOTHING);
  assert.equal(format.valueWithUnit(DEG, NaN), "not a number");
});

test("numbers keep their decimals, minus is a minus sign, and zero has no sign", () => {
  assert.equal(format.fixed(263.4449, 1), "263.4");
  assert.equal(format.fixed(-5, 1), "\u22125.0");
  assert.equal(format.fixed(-0.04, 1), "0.0");
});

test("values are shown in the dictionary's display unit", () => {
  assert.equal(format.valueWithUnit(DEG, Math.PI / 6), "30.0\u00b0");
  assert.equal(format.valueWithUnit(CELSIUS, 293.15), "20.0 \u00b0C");
  assert.equal(format.valueText({ kind: "enum", values: ["off", "on"] }, 1), "on");
  assert.equal(format.valueText({ kind: "enum", values: ["off", "on"] }, 7), "7");
  assert.equal(format.valueText({ kind: "flag" }, 1), "yes");
  assert.equal(format.valueText({ kind: "number", unit: "1" }, 4096), "4096");
});

test("the T clock counts through zero and over a minute, and never shows 60 seconds", () => {
  assert.equal(format.tClock(-3.2), "T\u221200:03.2");
  assert.equal(format.tClock(0), "T+00:00.0");
  assert.equal(format.tClock(-0.04), "T+00:00.0");
  assert.equal(format.tClock(59.97), "T+01:00.0");
  assert.equal(format.tClock(72.34), "T+01:12.3");
  assert.equal(format.tClock(NaN), `T ${format.NOTHING}`);
});

test("ages, lengths of time and sizes", () => {
  assert.deepEqual([0.21, 9.96, 119, 120, 7300, Infinity].map(format.age), [
    "0.2 s",
    "10 s",
    "119 s",
    "2 min",
    "2 h",
    "never",
  ]);
  assert.deepEqual([5, 65, 3671].map(format.duration), ["0:05", "1:05", "1:01:11"]);
  assert.match(format.dayTime(0), /^\d\d:\d\d:00$/);
  assert.equal(format.dayTime(new Date(2026, 0, 2, 3, 4, 5, 999).getTime()), "03:04:05");
  assert.deepEqual([12, 1500, 2.5e6, 27.4e9].map(format.bytes), ["12 B", "1.5 kB", "2.5 MB", "27.4 GB"]);
});

test("bearings are three digits from north clockwise with their compass point", () => {
  const of = (degrees) => Object.values(format.bearing((degrees * Math.PI) / 180)).join(" ");
  assert.deepEqual([0, 7, 90, 225, -90, 359.7].map(of), ["000 N", "007 N", "090 E", "225 SW", "270 W", "000 N"]);
  assert.equal(format.distance(9999), "9999 m");
  assert.equal(format.distance(12345), "12.3 km");
});

test("limits are judged in SI units, and a number that is none is a warning", () => {
  assert.deepEqual(
    [330, 338.15, 340, 360].map((value) => format.limitState(CELSIUS, value)),
    ["", "", "caution", "warning"],
  );
  assert.equal(format.limitState({ limits: { warning_low: 6.6, caution_low: 7 } }, 6.5), "warning");
  assert.equal(format.limitState({}, NaN), "warning");
  assert.equal(format.limitState({}, 1), "");
});

test("the station's texts are shown with the signs that people write", () => {
  assert.equal(
    format.withSigns("the barometer was at 45 degC on the pad"),
    "the barometer was at 45 \u00b0C on the pad",
  );
  assert.equal(format.withSigns("bearing 104 deg, within 7 m"), "bearing 104\u00b0, within 7 m");
  assert.equal(format.withSigns("by +2.0 deg/s, 9.81 m/s2"), "by +2.0 \u00b0/s, 9.81 m/s\u00b2");
  const { cases } = JSON.parse(readFileSync(new URL("../signs.json", import.meta.url), "utf8"));
  for (const [written, read] of cases) assert.equal(format.withSigns(written), read);
  assert.equal(format.withSigns(undefined), "");
});
