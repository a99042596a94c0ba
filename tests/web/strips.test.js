// The geometry of strips: ticks, phases, labels, the scale that a landing does not set, and gaps. Values are invented.

import assert from "node:assert/strict";
import { test } from "node:test";
import {
  bandsOf,
  beyond,
  endOf,
  layLabels,
  scaleOf,
  spread,
  stripWords,
  timeTicks,
} from "../../web/pictures/strip_shapes.js";
import { gapLength, merge, windowOf } from "../../web/session/decimate.js";
import { eventsOf, flagsOf, phasesOf } from "../../web/session/flown.js";
import { Journal } from "../../web/session/journal.js";
import { readerOf, rowAt, seriesText } from "../../web/strips/series.js";

/** Numbers from 0 to 1 that look random and are the same in every run. */
function* numbers(seed) {
  let state = seed;
  for (;;) {
    state = (state * 1103515245 + 12345) % 2147483648;
    yield state / 2147483648;
  }
}

const moment = (i, key, t, body = {}) => ({
  i,
  rx: t + 0.3,
  t: t + 0.3,
  topic: "moment",
  key,
  text: key,
  body: { t, ...body },
});

test("labels of random events never lie on each other, nor over an edge", () => {
  const random = numbers(7);
  const next = () => random.next().value;
  let dropped = 0;
  for (let round = 0; round < 300; round++) {
    const width = 200 + next() * 900;
    const items = Array.from({ length: 1 + Math.floor(next() * 14) }, (_, i) => ({
      key: String(i),
      x: next() * width,
      width: 20 + next() * 120,
      rank: Math.floor(next() * 5),
    }));
    const placed = layLabels(items, width, 2);
    dropped += items.length - placed.length;
    for (const one of placed) {
      assert.ok(one.left >= 0 && one.left + one.width <= width, "over the edge");
      assert.ok(one.left === one.x + 3 || one.left + one.width === one.x - 3, "away from its line");
      for (const other of placed)
        if (other !== one && other.row === one.row)
          assert.ok(
            one.left >= other.left + other.width + 6 || other.left >= one.left + one.width + 6,
            "on each other",
          );
    }
  }
  assert.ok(dropped > 0, "there were more than find room");
});

test("what matters most finds room first", () => {
  const [a, b] = [
    { key: "mark", x: 50, width: 60, rank: 8 },
    { key: "lift-off", x: 52, width: 60, rank: 0 },
  ];
  assert.deepEqual(
    layLabels([a, b], 120, 1).map(({ key }) => key),
    ["lift-off"],
  );
  assert.deepEqual(layLabels([{ ...a, x: -1 }], 120, 2), [], "what is not shown has no label");
});

test("ticks of the time axis: round, inside, and their words apart", () => {
  for (const [a, b] of [
    [-20, 80],
    [-0.31, 0.42],
    [3.3, 4.1],
    [-5000, 4000],
  ])
    for (const width of [250, 600, 1400]) {
      const ticks = timeTicks(a, b, width);
      assert.ok(ticks.length >= 1 && ticks.length <= width / 70 + 1, `${ticks.length} in ${width}`);
      for (const { t, x } of ticks) assert.ok(t >= a - 1e-9 && t <= b + 1e-9 && x >= -1e-6 && x <= width + 1e-6);
      const worded = ticks.filter(({ text }) => text);
      for (let i = 1; i < worded.length; i++)
        assert.ok(worded[i].x - worded[i - 1].x > (6.4 * (worded[i].text.length + worded[i - 1].text.length)) / 2);
    }
  assert.deepEqual(timeTicks(3, 3, 500), []);
});

test("phases are bands between their moments, cut to what is shown", () => {
  const journal = new Journal();
  journal.add([
    moment(0, "lift_off", 20),
    moment(1, "burnout", 21.5),
    moment(2, "apogee", 28),
    moment(3, "landing", 80),
  ]);
  const phases = phasesOf(journal);
  assert.deepEqual(
    bandsOf(phases, 10, 30).map(({ phase, from, to }) => [phase, from, to]),
    [
      ["pad", 10, 20],
      ["boost", 20, 21.5],
      ["coast", 21.5, 28],
      ["descent", 28, 30],
    ],
  );
  assert.equal(phasesOf(journal, 21).length, 2, "at the cursor only what had come");
  assert.deepEqual(phasesOf(new Journal()), []);
  assert.ok(bandsOf(phases, 10, 90).every(({ odd }, i) => odd === (i % 2 === 1)));
});

test("a moment told again is one event, control on and off are two, a finding flies its flag at its moment", () => {
  const journal = new Journal();
  journal.add([
    moment(0, "lift_off", 20),
    moment(1, "lift_off", 20.01, { finer: true }),
    moment(2, "control_enabled", 25, { on: true }),
    moment(3, "control_enabled", 25.4, { on: false }),
    moment(4, "deployment", 25.4, { on: true }),
    moment(5, "deployment", 60, { on: false }),
    { i: 6, rx: 61, t: 61, topic: "finding", key: "x", severity: "warning", text: "leaned", body: { t: 21.9 } },
    { i: 7, rx: 62, t: 62, topic: "finding", key: "y", severity: "caution", text: "odd", body: { withdrawn: true } },
  ]);
  assert.deepEqual(
    eventsOf(journal).map(({ text, t }) => [text, t]),
    [
      ["lift-off", 20.01],
      ["control on", 25],
      ["control off", 25.4],
      ["chutes", 25.4],
    ],
  );
  assert.deepEqual(
    flagsOf(journal).map(({ key, t }) => [key, t]),
    [["x", 21.9]],
  );
});

test("the shock of landing does not set the scale, and is marked with its value", () => {
  const x = Array.from({ length: 100 }, (_, i) => i);
  const boost = x.map((t) => (t < 10 ? 70 : t === 80 ? 250 : t === 81 ? 180 : 10));
  const [low, high] = scaleOf(x, [boost], 20, 80);
  assert.ok(high > 70 && high < 80 && low < 10);
  assert.deepEqual(
    beyond(x, boost, low, high),
    [{ x: 80, value: 250, above: true }],
    "one mark for one run, its farthest",
  );
  assert.ok(scaleOf(x.slice(78), [boost.slice(78)], 20, 80)[1] > 250, "looked at alone it sets its own");
  assert.ok(scaleOf(x, [boost], 20, undefined)[1] > 250, "without a landing nothing is left out");
  const shock = scaleOf([79.5, 80], [[250, 250]], 20, 80);
  assert.ok(shock[1] > 250);
});

test("what is beyond on both sides and broken by a gap is several runs", () => {
  assert.deepEqual(beyond([0, 1, 2, 3, 4, 5], [9, undefined, 8, null, 9, -9], -5, 5), [
    { x: 0, value: 9, above: true },
    { x: 4, value: 9, above: true },
    { x: 5, value: -9, above: false },
  ]);
});

test("names at the ends of lines stand apart and inside, in the order of their lines", () => {
  const random = numbers(3);
  for (let round = 0; round < 200; round++) {
    const wishes = Array.from({ length: 4 }, () => random.next().value * 60);
    const places = spread(wishes, 11, 5, 55);
    const order = [0, 1, 2, 3].sort((p, q) => wishes[p] - wishes[q]);
    for (const place of places) assert.ok(place >= 5 - 1e-9 && place <= 55 + 1e-9);
    for (let i = 1; i < 4; i++) assert.ok(places[order[i]] - places[order[i - 1]] >= 11 - 1e-9);
  }
  assert.deepEqual(spread([1, 1, 1], 10, 0, 8), [0, 4, 8], "pressed together evenly where there is no room");
  assert.deepEqual(spread([30], 10, 0, 60), [30]);
});

test("a line ends at its last value, not in what came after it", () => {
  assert.deepEqual(endOf([0, 1, 2, 3], [5, 6, undefined, null]), { x: 1, value: 6 });
  assert.equal(endOf([0, 1], [null, undefined]), undefined);
});

function made(meta, t, columns) {
  return {
    meta,
    n: t.length,
    t: Float64Array.from(t),
    missing: null,
    columns: columns.map((one) => Float64Array.from(one)),
  };
}

test("a gap is a gap also in what the station computes, which states no rate", () => {
  const t = [0, 0.05, 0.1, 0.15, 0.2, 3, 3.05, 3.1];
  const table = made({ rate_hz: 0, computed: true }, t, [t]);
  assert.ok(gapLength(table) < 1);
  const { y } = windowOf(table, (row) => table.columns[0][row], 0, 4);
  assert.equal(y.filter((one) => one === null).length, 1);
  const event = made({ rate_hz: 0, computed: false }, t, [t]);
  assert.equal(gapLength(event), Infinity, "what only happens now and then has no gaps");
});

test("one line and a thin difference: taken where both are known, and nothing over a gap", () => {
  const ground = made({ rate_hz: 10 }, [0, 0.1, 0.2, 2], [[10, 20, 30, 100]]);
  const vehicle = made({ rate_hz: 10 }, [0.05, 0.15, 1, 2], [[16, 24, 50, 99]]);
  const series = {
    minus: "ground.height",
    bound: { table: vehicle, bindings: [{ index: 0 }], minus: { table: ground, index: 0 } },
  };
  const read = readerOf(series);
  assert.deepEqual(
    [read(0), read(1)].map((one) => Math.round(one * 1e9) / 1e9),
    [1, -1],
  );
  assert.ok(Number.isNaN(read(2)), "between two rows that are too far apart");
  assert.equal(seriesText(series, 2), "\u2013\u2013");
  assert.equal(read(3), -1);
});

test("under the pointer a line reads what it had then, and nothing in a gap", () => {
  const table = made({ rate_hz: 10 }, [0, 0.1, 0.2, 2], [[1, 2, 3, 4]]);
  const at = (t, until = 3) => rowAt({ table }, t, until);
  assert.deepEqual([at(-1), at(0.14), at(0.3), at(1.2), at(2.1)], [-1, 1, 2, -1, 3]);
  assert.equal(at(2.1, 2), -1, "not what had not come yet");
});

test("a strip in words", () => {
  const data = merge([{ x: [0, 1, 2], y: [1, null, 3] }], 0);
  assert.equal(
    stripWords("Height", "m", [0, 1.5], ["height"], data[0], data.slice(1)),
    "Height, m, from 0.0 to 1.5 s: height 1.0 to 1.0",
  );
  assert.match(stripWords("Tilt", "", [5, 6], ["tilt"], data[0], data.slice(1)), /tilt not heard/);
});
