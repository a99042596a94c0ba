// The side view's geometry: one scale for both directions, noses at their angle, what was foretold, and honest words.

import assert from "node:assert/strict";
import { test } from "node:test";
import { EDGE, foretoldBand, MARKERS, movingOf, profileShapes, profileWords } from "../../web/pictures/profile.js";
import { spread } from "../../web/pictures/spread.js";

const BOX = { width: 400, height: 500 };
const flight = (more = {}) => ({
  points: [
    { t: 0, along: 0, up: 0 },
    { t: 2, along: 30, up: 40 },
    { t: 4, along: 60, up: 80, claim: 82 },
  ],
  hasPlace: true,
  toward: Math.PI / 2,
  noses: [],
  marks: [],
  moving: "up",
  ...more,
});
const numbersOf = (d) => [...d.matchAll(/[ML](-?[\d.]+) (-?[\d.]+)/g)].map(([, x, y]) => [Number(x), Number(y)]);
const near = (a, b, within = 0.11) => assert.ok(Math.abs(a - b) <= within, `${a} is not ${b}`);

test("a meter is as long sideways as upward, and everything stays within the box", () => {
  const { path, scale } = profileShapes(flight(), BOX);
  const [[x0, y0], , [x1, y1]] = numbersOf(path);
  near(x1 - x0, 60 * scale);
  near(y0 - y1, 80 * scale);
  for (const wide of [5, 100, 5000]) {
    const points = [0, 1, 2].map((i) => ({ t: i, along: (-wide * i) / 2, up: 90 * i }));
    for (const [x, y] of numbersOf(profileShapes(flight({ points }), BOX).path))
      assert.ok(x >= EDGE.left && x <= BOX.width - EDGE.right && y >= EDGE.top - 1 && y <= BOX.height - EDGE.bottom);
  }
});

test("a nose is drawn at the angle it has in the plane", () => {
  const noses = [{ t: 2, along: 30, up: 40, lean: Math.PI / 6 }];
  const [[x0, y0], [x1, y1]] = numbersOf(profileShapes(flight({ noses }), BOX).noses);
  near(Math.atan2(x1 - x0, y0 - y1), Math.PI / 6, 0.02);
});

test("without a position time stands below, and no nose and no rail is drawn", () => {
  const shapes = profileShapes(
    flight({ hasPlace: false, noses: [{ t: 1, along: 0, up: 9, lean: 1 }], rail: { length: 2 } }),
    BOX,
  );
  assert.equal(shapes.unit, "s");
  assert.equal(shapes.noses + shapes.rail, "");
  const [[x0], [x1], [x2]] = numbersOf(shapes.path);
  near(x2 - x1, x1 - x0);
  assert.doesNotMatch(profileWords(flight({ hasPlace: false })), /toward/);
});

test("what was foretold leaves where it was with its speed and ends in the interval of the top", () => {
  const told = { t: 2, along: 10, up: 60, rise: 50, drift: 8, low: 160, high: 190, in_s: 4 };
  const [high, low] = foretoldBand(told);
  for (const edge of [high, low]) {
    assert.deepEqual([edge[0].along, edge[0].up, edge[0].t], [10, 60, 2]);
    near((edge[1].up - edge[0].up) / (edge[1].t - edge[0].t), 50, 3);
    const last = edge[edge.length - 1];
    near((last.up - edge[edge.length - 2].up) / 0.25, 0, 4);
    assert.equal(last.t, 6);
  }
  assert.equal(high[high.length - 1].up, 190);
  assert.equal(low[low.length - 1].up, 160);
  assert.equal(low[low.length - 1].along, 10 + 8 * 4); // keeps its speed
  assert.ok(high[high.length - 1].along < 10 + 8 * 4 && high[high.length - 1].along > 10); // drag takes some
  assert.match(profileShapes(flight({ foretold: told }), BOX).band, /Z$/);
  assert.equal(profileShapes(flight(), BOX).band, "");
});

test("the vehicle's claim is a second line only where it tells one", () => {
  assert.equal(numbersOf(profileShapes(flight(), BOX).claim).length, 1);
});

test("labels of marks neither lie on each other nor beyond the edge", () => {
  const marks = ["apogee", "deployment", "burnout"].map((key, i) => ({
    key,
    text: `${key} 80 m`,
    t: 4,
    along: 60,
    up: 80 - i / 10,
  }));
  const shapes = profileShapes(flight({ marks, expected: 80 }), BOX);
  const rows = shapes.marks.map(({ labelY }) => labelY).sort((a, b) => a - b);
  assert.equal(rows.length, 3);
  for (let i = 1; i < rows.length; i++) assert.ok(rows[i] - rows[i - 1] >= 16);
  for (const { anchor, labelX, text } of shapes.marks) {
    const ends = [labelX, labelX + (anchor === "start" ? 1 : -1) * text.length * 7];
    assert.ok(Math.min(...ends) >= 0 && Math.max(...ends) <= BOX.width);
  }
  assert.deepEqual(spread([1, 2, 3], 10, 0, 25), [1, 11, 21]);
});

test("a level line's words lie on no mark's words, on either side of it, and are left out where none is free", () => {
  const marks = [
    { key: "apogee", text: "top 80 m", t: 4, along: 60, up: 80 },
    { key: "deployment", text: "chutes 80 m", t: 4, along: 60, up: 79 },
  ];
  const stretch = (x, anchor, { length }) => (anchor === "end" ? [x - length * 7, x] : [x, x + length * 7]);
  const told = [];
  for (const width of [120, 160, 200, 300, 400, 800])
    for (const along of [-60, 0, 30, 60])
      for (const up of [60, 76, 80, 84]) {
        const moved = marks.map((mark) => ({ ...mark, along }));
        const shapes = profileShapes(flight({ marks: moved, expected: up }), { ...BOX, width });
        const [line] = shapes.lines;
        told.push(Boolean(line.text));
        const [from, to] = stretch(line.textX, line.anchor, line.text);
        for (const { labelX, labelY, anchor, text } of line.text ? shapes.marks : []) {
          const [left, right] = stretch(labelX, anchor, text);
          const apart = to <= left || from >= right || Math.abs(labelY + 5 - line.textY) >= 14;
          assert.ok(apart, `${line.text} on ${text}, ${width} px wide`);
        }
      }
  assert.ok(told.filter(Boolean).length > told.length / 2, "left out only where it must be");
  assert.equal(profileShapes(flight({ expected: 80 }), BOX).lines[0].anchor, "start");
});

test("a marker points the way the vehicle moves, and a landed one lies", () => {
  const flying = { landed: false, flying: true, pastTop: false };
  assert.equal(movingOf({ ...flying, climb: 30 }), "up");
  assert.equal(movingOf({ ...flying, climb: -5 }), "down");
  assert.equal(movingOf({ ...flying, pastTop: true }), "down");
  assert.equal(movingOf({ ...flying, pastTop: true, climb: 0.1 }), "level");
  assert.equal(movingOf({ ...flying, landed: true, climb: -0.9 }), "rest");
  assert.equal(movingOf({ ...flying, flying: false, climb: 0.9 }), "rest");
  assert.match(MARKERS.up, /^M0 -/);
  assert.match(MARKERS.down, /^M0 \d/);
});

test("the words tell the same: height, distance, direction, motion, the top and what happened", () => {
  const marks = [{ key: "burnout", text: "burnout 40 m", t: 2, along: 30, up: 40 }];
  assert.equal(
    profileWords(flight({ marks, predicted: { low: 90, high: 110 } })),
    "Side view. Now 80 m up, 60 m toward 090 degrees, climbing. The top is foretold between 90 and 110 m. " +
      "So far: burnout 40 m.",
  );
  assert.equal(profileWords(flight({ points: [] })), "Side view. No height yet.");
});
