import assert from "node:assert/strict";
import { afterEach, test } from "node:test";

import { setUnits } from "../../web/kit/units.js";
import {
  apartWords,
  CURVE_BOX,
  curveShape,
  curveTitle,
  curveWords,
  phaseDifferences,
  phasePicture,
  phaseRows,
  phaseWords,
  readIn,
} from "../../web/pictures/rehearsal_track.js";

afterEach(() => setUnits("metric"));

const CURVE = {
  role: "position.up",
  unit: "m",
  rms: 1.5,
  worst: 4,
  worst_s: 8,
  t_s: [6, 7, 8, 10],
  told: [0, 51, 104, 200],
  truth: [0, 50, 100, 200],
  apart: [0, 1, 4, 0],
};
const TRACK = {
  duration_s: 40,
  phases: [
    ["startup", 0],
    ["pad", 2],
    ["boost", 6.1],
    ["coast", 7.5],
    ["descent", 20],
  ],
  true_phases: [
    ["pad", 0],
    ["boost", 6],
    ["coast", 7.5],
    ["descent", 14],
    ["landed", 39],
  ],
  deployment_s: [20, 13.5],
  first_bad_s: 8.25,
  outages_s: [[9, 11]],
};
const places = (path) => [...path.matchAll(/[ML]([-\d.]+) ([-\d.]+)/g)].map(([, x, y]) => [Number(x), Number(y)]);

test("a component is drawn over the truth, its difference below, the worst where it was", () => {
  const shape = curveShape(CURVE, [6, 10], 7);
  const { left, right, width, top, middle, below, base } = CURVE_BOX;
  const [told, truth, apart] = [shape.told, shape.truth, shape.apart].map(places);
  assert.deepEqual(
    truth.map(([x]) => x),
    [left, left + (width - left - right) / 4, left + (width - left - right) / 2, width - right],
  );
  assert.deepEqual([truth[0][1], truth[3][1]], [middle, top]);
  assert.ok(told[2][1] < truth[2][1], "more is higher");
  assert.deepEqual([apart[0][1], apart[2][1]], [base, below]);
  assert.deepEqual(shape.worst, { x: apart[2][0], y: below });
  assert.equal(shape.bad, left + (width - left - right) / 4);
  assert.equal(shape.zero, base);
  assert.equal(curveShape(CURVE, [6, 10], 12).bad, null, "what came later is not in the picture");
  assert.equal(curveShape(CURVE, [6, 10], null).bad, null);
});

test("what is no number breaks the line and is said, and what went wild does not flatten the truth", () => {
  const lost = { ...CURVE, rms: null, worst: null, worst_s: 8, told: [0, 51, null, 200], apart: [0, 1, null, 0] };
  const shape = curveShape(lost, [6, 10], 8);
  assert.equal(shape.told.match(/M/g).length, 2);
  assert.equal(shape.worst, null);
  assert.equal(apartWords(lost), "not a number, first at 8.00 s");
  const wild = curveShape({ ...CURVE, told: [0, 51, 1e9, 200] }, [6, 10], null);
  assert.ok(places(wild.truth)[0][1] - places(wild.truth)[3][1] > (CURVE_BOX.middle - CURVE_BOX.top) / 3.1);
  const none = curveShape({ ...CURVE, told: [null, null, null, null], apart: [null, null, null, null] }, [6, 10], 6);
  assert.deepEqual([none.told, none.apart], ["", ""]);
});

test("numbers are read in the person's units, angles in degrees", () => {
  assert.equal(apartWords(CURVE), "rms 1.50, worst 4.00 m at 8.00 s");
  assert.equal(
    apartWords({ ...CURVE, unit: "rad", rms: Math.PI / 180, worst: Math.PI / 9 }),
    "rms 1.00, worst 20.0\u00b0 at 8.00 s",
  );
  assert.equal(
    apartWords({ ...CURVE, unit: "rad/s", rms: 0, worst: Math.PI / 180 }),
    "rms 0.00, worst 1.00 \u00b0/s at 8.00 s",
  );
  setUnits("imperial");
  assert.equal(apartWords(CURVE), "rms 4.92, worst 13.1 ft at 8.00 s"); // 1 ft is 0.3048 m
  assert.equal(readIn("m/s").unit, "mph");
  assert.ok(
    curveShape(CURVE, [6, 10], null).above.some(({ text }) => text === "500"),
    "of 656 ft",
  );
});

test("a component has a title and a sentence", () => {
  assert.deepEqual(["position.up", "position.east", "velocity.up", "body_rate.x"].map(curveTitle), [
    "Height",
    "Position east",
    "Velocity up",
    "Body rate x",
  ]);
  const wanted = "Height: computer over truth, from 6.0 to 10.0 s; difference rms 1.50, worst 4.00 m at 8.00 s";
  assert.equal(curveWords(CURVE), wanted);
});

test("phases of both lie on one line of time, with deployments, the bad frame and outages", () => {
  const shape = phasePicture(TRACK, 400);
  assert.deepEqual(
    shape.truth.map(({ name, x1, x2, text }) => [name, x1, x2, text]),
    [
      ["pad", 0, 60, "pad"],
      ["boost", 60, 75, ""],
      ["coast", 75, 140, "coast"],
      ["descent", 140, 390, "descent"],
      ["landed", 390, 400, ""],
    ],
  );
  assert.deepEqual(shape.computer.at(-1).x2, 400, "the last goes on to the end");
  assert.deepEqual([shape.ordered, shape.own, shape.bad], [200, 135, 82.5]);
  assert.deepEqual(Object.values(shape.outages[0]).map(Math.round), [90, 110]);
  const never = phasePicture({ ...TRACK, deployment_s: [null, null], first_bad_s: null }, 400);
  assert.deepEqual([never.ordered, never.own, never.bad], [null, null, null]);
});

test("differences of phases and deployment are numbers, or words where one never came", () => {
  assert.deepEqual(
    phaseRows(TRACK).map(({ name, computer, truth }) => [name, computer, truth]),
    [
      ["boost", 6.1, 6],
      ["coast", 7.5, 7.5],
      ["descent", 20, 14],
      ["landed", undefined, 39],
    ],
  );
  const told = "Computer after truth: boost +0.10 s, coast 0.00 s, descent +6.00 s, landed never;";
  assert.equal(phaseDifferences(TRACK), `${told} recovery ordered \u25bc after the twin\u2019s own \u25b3: +6.50 s.`);
  assert.ok(phaseDifferences({ ...TRACK, deployment_s: [null, 13.5] }).endsWith(": never."));
  assert.ok(phaseDifferences({ ...TRACK, deployment_s: [3, null] }).endsWith(": only by it."));
  assert.ok(phaseDifferences({ ...TRACK, deployment_s: [null, null] }).endsWith(": by neither."));
  const words = phaseWords(TRACK);
  assert.ok(words.includes("descent 20.00 s, in truth 14.00 s") && words.endsWith("first bad frame at 8.25 s"));
});
