// Geometry of Learn's pictures: what is drawn lies where its numbers say, and says the same in words.

import assert from "node:assert/strict";
import { test } from "node:test";
import { chosenOf, fieldText, packetLines } from "../../web/panels/learn/packet_panel.js";
import { when } from "../../web/panels/learn/session_list.js";
import {
  differences,
  differenceWords,
  dotPlot,
  roundValues,
  shownRange,
  smallCurves,
} from "../../web/pictures/compare.js";
import { levelShapes, levelWords, swingShapes, swingWords } from "../../web/pictures/curves.js";
import { courseWords, isSame, markShape, markWords, namedBuild } from "../../web/pictures/rehearsal_course.js";
import { sparkline, sparklineWords } from "../../web/pictures/sparkline.js";
import { story, storyWords, timeScale } from "../../web/pictures/story.js";
import { vehicleShapes, vehicleWords } from "../../web/pictures/vehicle.js";

const near = (a, b, within = 1e-6) => assert.ok(Math.abs(a - b) <= within, `${a} is not ${b}`);

test("the line of a flight gives the way up most of the room, and is even in both parts", () => {
  const { x, t, knee } = timeScale([20, 50], 25, 1000);
  near(knee, 620);
  near(x(22.5), 310);
  near(x(37.5), 810);
  for (const at of [20, 21, 25, 30, 50]) near(t(x(at)), at);
  assert.deepEqual([x(0), x(99)], [0, 1000], "what lies outside stands at its end");
  const plain = timeScale([0, 10], undefined, 100);
  assert.deepEqual([plain.x(5), plain.knee], [50, undefined]);
});

const TOLD = {
  range: [20, 50],
  bend: 26,
  phases: [
    { name: "boost", t: 20 },
    { name: "coast", t: 21.5 },
    { name: "descent", t: 25 },
  ],
  events: [
    { name: "Lift-off", t: 20, first: true },
    { name: "Burnout", t: 21.4 },
    { name: "Apogee", t: 25.29, first: true },
    { name: "Deployment", t: 25.3 },
    { name: "Separation", t: 25.31 },
    { name: "Landing", t: 49.9, first: true },
    { name: "Long before", t: 3 },
  ],
  findings: [
    { key: "a", t: 25, severity: "warning" },
    { key: "b", t: 25.05, severity: "warning" },
    { key: "c", t: 50, severity: "caution" },
  ],
};

test("no word of an event lies on another, none leaves the drawing, and the first ones keep theirs", () => {
  const { events } = story(TOLD, 800);
  assert.deepEqual(
    events.map(({ name }) => name),
    ["Lift-off", "Burnout", "Apogee", "Deployment", "Separation", "Landing"],
  );
  const worded = events.filter(({ row }) => row >= 0);
  const spans = worded.map(({ left, row, name }) => [row, left, left + name.length * 6.6]);
  for (const [i, [row, a, b]] of spans.entries()) {
    assert.ok(a >= 0 && b <= 800, worded[i].name);
    for (const [other, c, d] of spans.slice(i + 1)) assert.ok(row !== other || b <= c || d <= a, worded[i].name);
  }
  for (const name of ["Lift-off", "Apogee", "Landing"]) assert.ok(worded.some((event) => event.name === name));
  assert.equal(events.find(({ name }) => name === "Separation").row, -1, "there are two rows, and three at one place");
});

test("flags of findings stand beside each other, each with its foot at its own moment", () => {
  const { flags, scale, bands } = story(TOLD, 800);
  assert.deepEqual(
    flags.map(({ number }) => number),
    [1, 2, 3],
  );
  const places = flags.map(({ at }) => at);
  assert.ok(places[1] - places[0] >= 26 && places[2] <= 800 - 26);
  for (const { t, x } of flags) near(x, scale.x(t));
  near(bands[0].to, bands[1].from);
  near(bands[2].to, 800);
  assert.equal(
    storyWords(TOLD, 20),
    "Timeline of the flight: boost from T+0.0 s, coast from T+1.5 s, descent from T+5.0 s; " +
      "3 findings at T+5.0 s, T+5.1 s, T+30.0 s.",
  );
});

test("a sparkline has its top at the greatest height, and a gap where nothing was heard", () => {
  const { line, ground, top } = sparkline([0, 50, 100, null, 40, 0], 100, 40);
  assert.equal(line.match(/M/g).length, 2);
  assert.deepEqual(top, { x: 40, y: 2 });
  near(ground, 38);
  assert.equal(sparklineWords([0, 100]), "Height over time: up to 100 m.");
  assert.deepEqual(sparkline(null, 100, 40).line, "");
  assert.equal(sparklineWords(null), "No flight in it.");
});

test("a recording is titled with its moment here, and the zone is said", () => {
  assert.equal(when("2025-06-15T14:00:00+00:00", "UTC"), "15 Jun 2025, 14:00 UTC");
  assert.match(when("2025-06-15T14:00:00+00:00", "Europe/Berlin"), /^15 Jun 2025, 16:00 (GMT\+2|CEST)$/);
  assert.equal(when(null), "time unknown");
});

const NUMBERS = [
  { name: "lift-off at", unit: "s", values: [0, 0.5] },
  { name: "apogee at", unit: "s", values: [8, 5] },
  { name: "apogee", unit: "m", values: [279, 111] },
  { name: "greatest tilt", unit: "deg", values: [39, 54] },
  { name: "lost", unit: "", values: [30, 0] },
  { name: "burnout", unit: "m", values: [null, 38] },
];

test("flights are shown from a second before the first lift-off to three after the last apogee", () => {
  const { range, scaled } = shownRange(NUMBERS, [-20, 90]);
  assert.deepEqual(range, [-1, 11]);
  assert.deepEqual(scaled, [8, 5]);
  assert.deepEqual(shownRange([], [-2, 5]).range, [-2, 5]);
  assert.deepEqual(shownRange(NUMBERS, [-0.5, 9]).range, [-0.5, 9]);
});

test("runs of a build are told apart by the shape of their marks, and are words with the bound", () => {
  const [passed, failed, invalid] = ["passed", "failed", "invalid"].map(markShape);
  assert.ok(passed.includes("a3.2") && !failed.includes("a") && invalid === passed, "a ring is a disk not filled");
  const run = { scenario: "calm", seed: 3, outcome: "failed", wrong: "rate, not finite" };
  assert.equal(markWords(run), "calm, seed 3: failed, rate, not finite");
  assert.equal(markWords({ ...run, outcome: "passed", wrong: "" }), "calm, seed 3: passed");
  assert.ok(isSame({ ...run }, run) && !isSame(run, null) && !isSame(run, { ...run, seed: 4 }));
  assert.equal(namedBuild({ firmware: "", build: "ab" }), "says nothing \u00b7 ab");
  const told = { runs: 8, passed: 7, invalid: 1, fails_below: 0.4707 };
  assert.equal(courseWords(told), "7 of 8 passed, 1 invalid; it fails in less than 47.1 % of such runs (95 %)");
  assert.equal(courseWords({ ...told, runs: 0, passed: 0 }), "no valid run, 1 invalid");
});

test("the shock after the apogee does not set the scale, and is cut at the edge", () => {
  const t = Float64Array.from({ length: 13 }, (_, i) => i - 1);
  const boost = Float64Array.from(t, (at) => (at === 10 ? 250 : at >= 0 && at < 2 ? 80 : 0));
  const { high, low, paths, ys } = smallCurves(t, [boost], { range: [-1, 11], scaled: [8] }, [400, 130]);
  assert.deepEqual([low, high], [0, 80]);
  const heights = paths[0]
    .split(/[ML]/)
    .slice(1)
    .map((point) => Number(point.split(" ")[1]));
  assert.equal(Math.min(...heights), 4, "cut just outside the frame");
  near(ys.find(({ value }) => value === 0).y, 112);
  const gap = smallCurves(
    t,
    [Float64Array.from(t, (at) => (at === 3 ? NaN : 1))],
    { range: [-1, 11], scaled: [] },
    [90, 60],
  );
  assert.equal(gap.paths[0].match(/M/g).length, 2);
});

test("where a curve is beyond the edge there is no line that would look real", () => {
  const t = Float64Array.from({ length: 41 }, (_, i) => i / 4);
  const high = Float64Array.from(t, (at) => (at < 4 ? 10 * at : at < 8 ? 500 : -500));
  const { paths } = smallCurves(t, [high], { range: [0, 10], scaled: [3.9] }, [400, 130]);
  const points = [...paths[0].matchAll(/([ML])([\d.]+) ([\d.]+)/g)].map(([, how, x, y]) => [how, Number(x), Number(y)]);
  const along = points.filter(([how, , y], i) => how === "L" && y === points[i - 1][2] && (y === 4 || y === 114));
  assert.deepEqual(along, []);
  const falls = points.filter(([, , y]) => y === 114);
  assert.equal(falls.length, 1, "the drop from above to below is seen, and ends at the lower edge");
});

test("what differs most comes first and is said in a sentence; counts stay in the table", () => {
  const rows = differences(NUMBERS);
  assert.deepEqual(
    rows.map(({ name }) => name),
    ["lift-off at", "apogee", "apogee at", "greatest tilt"],
  );
  near(rows[1].share, 168 / 279);
  const own = rows.filter(({ name }) => name !== "lift-off at");
  assert.equal(
    differenceWords(own, ["calm", "gusty"]),
    "gusty differs most from calm in apogee 111 m against 279 m; then apogee at 5.0 s against 8.0 s.",
  );
  assert.equal(differenceWords([], ["a", "b"]), "No number is known of both flights.");
  const same = differences([{ name: "apogee", unit: "m", values: [100, 100.5] }]);
  assert.match(differenceWords(same, ["a", "b"]), /No number of theirs differs/);
  const { rows: drawn, zero } = dotPlot(own, { left: 100, width: 310, rowHeight: 10 });
  near(zero, 200);
  assert.ok(drawn[0].dots[0].x < zero && drawn[2].dots[0].x > zero);
  near(drawn[0].dots[0].x, 200 - (168 / 279) * 100);
  assert.deepEqual(roundValues(0, 279, 3), [0, 100, 200]);
});

const SHEET = {
  length_m: 1.2,
  diameter_m: 0.06,
  configuration: {
    nose: { shape: "ogive", length_m: 0.2 },
    fins: [
      { name: "tail fins", count: 4, root_m: 0.1, tip_m: 0.05, span_m: 0.05, sweep_m: 0.02, root_leading_edge_m: 1.1 },
    ],
    masses: [
      { name: "battery", mass_kg: 0.2, station_m: 0.7, length_m: 0.1 },
      { name: "computer", mass_kg: 0.2, station_m: 0.71, length_m: 0.1 },
      { name: "tubes", mass_kg: 0.2, station_m: 0.7, length_m: 1.0 },
    ],
    motor: { propellant_kg: 0.07, propellant_station_m: 1.14, propellant_length_m: 0.1 },
  },
};
const AIR = {
  center_of_pressure_m: 0.9,
  liftoff: { center_of_gravity_m: 0.76, margin_calibers: 2.33 },
  burnout: { center_of_gravity_m: 0.74, margin_calibers: 2.67 },
};

test("the vehicle stands to scale: a meter is as long across as along, and the margin lies between its centers", () => {
  const box = { width: 400, height: 388, axis: 150 };
  const { scale, tube, fins, pieces, margins, nose } = vehicleShapes(SHEET, AIR, null, box);
  near(scale, 300);
  near(tube.width, 0.06 * 300);
  near(tube.y + tube.height, 14 + 360);
  near(Math.max(...fins[0].points.map(([x]) => x)) - 150, (0.03 + 0.05) * 300);
  near(fins[1].points[0][0], 150 - 9);
  assert.ok(nose.every(([x, y]) => Math.abs(x - 150) <= 9 && y >= 14 && y <= 74 + 1e-9));
  near(margins[0].from, 14 + 0.76 * 300);
  near(margins[0].to, 14 + 0.9 * 300);
  near((margins[0].to - margins[0].from) / tube.width, 0.14 / 0.06, 1e-9);
  assert.deepEqual(
    margins.map(({ name, stable }) => [name, stable]),
    [
      ["lift-off", true],
      ["burned out", true],
    ],
  );
  const labels = pieces.map(({ label }) => label);
  for (let i = 1; i < labels.length; i++)
    assert.ok(labels[i] - labels[i - 1] >= 14 - 1e-9, "labels keep their distance");
  assert.ok(pieces.find(({ name }) => name === "tubes").whole);
  const bigger = vehicleShapes(SHEET, AIR, [{ name: "tail fins", span_m: 0.1 }], box);
  near(Math.max(...bigger.fins[0].points.map(([x]) => x)) - 150, (0.03 + 0.1) * 300);
  assert.equal(vehicleShapes({ name: "X" }, null, null, box), null);
  assert.match(
    vehicleWords(SHEET, AIR),
    /120 cm long, 60 mm across, 4 tail fins, 3 weighed pieces, .* 2.33 calibers at/,
  );
  assert.match(vehicleWords({}, null), /does not say/);
});

test("the swing's curve grows with speed, and what was flown is shaded", () => {
  const told = [20, 50, 100].map((v) => ({ speed_m_s: v, liftoff_hz: v / 50, burnout_hz: v / 40 }));
  const flown = { from: 20, to: 70, measured: { speed_m_s: 50, hz: 1 } };
  const shape = swingShapes(told, flown, [458, 146]);
  near(shape.flown.x, 46 + 0.2 * 400);
  near(shape.flown.width, 0.5 * 400);
  near(shape.measured.x, 46 + 200);
  assert.match(
    swingWords(told, flown),
    /to 2.00 Hz at lift-off mass and 2.50 Hz .* Flown: 20 to 70 m\/s. Measured: 1.00 Hz/,
  );
  assert.equal(swingShapes([], {}, [400, 100]), null);
  assert.equal(swingShapes(told, {}, [400, 100]).flown, null);
});

test("the level falls straight over log distance, solid as far as it flew, with the margin below", () => {
  const link = { level_1_m_dbm: -10, exponent: 2, greatest_distance_m: 100, range_m: 10000, margin_db: 40 };
  const shape = levelShapes(link, [458, 146]);
  const [start, end] = shape.flown
    .slice(1)
    .split("L")
    .map((point) => point.split(" ").map(Number));
  const far = shape.beyond.split("L")[1].split(" ").map(Number);
  near((end[1] - start[1]) / (end[0] - start[0]), (far[1] - end[1]) / (far[0] - end[0]), 0.01);
  near(shape.margin.to, shape.floor);
  near(shape.reach.y, shape.floor, 0.1);
  assert.match(levelWords(link), /flown to 100 m; 40 dB were left there, and it would be lost at about 10.0 km/);
  assert.equal(levelShapes(undefined, [400, 100]), null);
  assert.match(levelWords(undefined), /not measured/);
  assert.ok(levelShapes({ ...link, exponent: null, range_m: undefined, margin_db: undefined }, [400, 100]).flown);
});

test("of packets that arrived together the one stepped to is shown, else the bad one, else the first", () => {
  const packet = (name, t, bad = "") => ({ name, t, wrong: "", fields: [{ bad }] });
  const packets = [packet("power", 1), packet("navigation", 1.02), packet("fins", 1.02, "not a number")];
  assert.equal(chosenOf(packets, undefined), 2);
  assert.equal(chosenOf(packets, { table: "navigation", t: 1.02 }), 1);
  assert.equal(chosenOf(packets.slice(0, 2), { table: "fins", t: 9 }), 0);
});

test("a packet's lines say its time to the millisecond, and what is not on the wire is said", () => {
  const packet = { count: 499, time_ms: 25000, t: 25, size: 66 };
  assert.deepEqual(packetLines(packet, 20.005), [
    ["count", "499"],
    ["time", "T+4.995 s"],
    ["vehicle\u2019s clock", "25000 ms"],
    ["length", "66 bytes"],
  ]);
  assert.equal(packetLines({ ...packet, count: null, time_ms: null, t: null }, 20)[0][1], "the format has none");
  assert.equal(fieldText({ value: null, unit: "1", bad: "not a number" }), "not a number");
  assert.equal(fieldText({ value: -3.82784, unit: "m/s", bad: "" }), "\u22123.8278 m/s");
  assert.equal(fieldText({ value: "coast", unit: "", bad: "" }), "coast");
});
