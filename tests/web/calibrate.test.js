import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";

import {
  calibrationAt,
  calibrationSentence,
  heightsOf,
  KINDS,
  resultRows,
} from "../../web/panels/try/calibrate_words.js";

const GUIDE = readFileSync(new URL("../../server/calibrating/guide.py", import.meta.url), "utf8");
const view = (body) => ({ state: (topic, key) => (topic === "calibration" && key === "now" ? { body } : undefined) });
const BODY = { state: "running", what: "gyro", title: "Gyro bias at rest", unit: "a", serial: "SN-12", why: "" };

test("what can be calibrated is what the guide has, with its titles", () => {
  const kinds = [...GUIDE.matchAll(/^ {4}"(\w+)": Kind\(\s*"([^"]+)"/gm)].map(([, key, title]) => [key, title]);
  assert.deepEqual(
    KINDS.map(([key, title]) => [key, title]),
    kinds,
  );
  const [, ofUnits] = GUIDE.match(/^OF_A_UNIT = frozenset\(\{([^}]*)\}\)/m);
  assert.deepEqual(
    KINDS.filter(([, , ofUnit]) => ofUnit).map(([key]) => key),
    [...ofUnits.matchAll(/"(\w+)"/g)].map(([, key]) => key),
  );
});

test("a calibration is told in one sentence, and what a recording may hold is passed over", () => {
  assert.equal(calibrationSentence(BODY), "Gyro bias at rest, unit a (SN-12): running");
  const stopped = { ...BODY, what: "magnetometer", title: "Magnetometer", state: "stopped", why: "stopped by Ada 1" };
  assert.equal(calibrationSentence(stopped), "Magnetometer (SN-12): stopped, stopped by Ada 1");
  assert.equal(calibrationAt(view(BODY)), BODY);
  assert.equal(calibrationAt(view({ ...BODY, state: "toString" })), undefined);
  assert.equal(calibrationAt({ state: () => undefined }), undefined);
});

test("heights are numbers in the order of going, or none", () => {
  assert.deepEqual(heightsOf("0, 3.5,6, 3.5 ,0"), [0, 3.5, 6, 3.5, 0]);
  assert.deepEqual([heightsOf(""), heightsOf("0, x"), heightsOf(" , ")], [undefined, undefined, undefined]);
});

test("every number of a result comes with its axis, sigma and unit", () => {
  const matrix = [
    [1, 0.25, 0],
    [0, 1, 0],
    [0, 0, 1],
  ];
  const rows = resultRows({
    rows: [
      { name: "bias", values: [0.1234567, -2, 0], sigma: [0.0123, 0.5, 1e-7], unit: "m/s2" },
      { name: "matrix", values: matrix, sigma: matrix, unit: "" },
      { name: "angle_random_walk", values: [Number.NaN], sigma: [null], unit: "rad" },
    ],
  });
  assert.deepEqual(rows[0], { name: "bias x", value: "0.12346", sigma: "\u00b1 0.012", unit: "m/s2" });
  assert.deepEqual([rows[4].name, rows[4].value, rows.length], ["matrix xy", "0.25", 13]);
  assert.deepEqual([rows[12].name, rows[12].value, rows[12].sigma], ["angle random walk", "\u2013", "\u00b1 \u2013"]);
  assert.equal(rows[1].value, "\u22122");
  assert.deepEqual(resultRows(undefined), []);
});
