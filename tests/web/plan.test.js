// The plan's geometry: where things are drawn, what sets the scale, and that no way is shown where one is forbidden.

import assert from "node:assert/strict";
import { test } from "node:test";

import { planShapes, roundUp, walkOf } from "../../web/pictures/plan.js";
import { windOf } from "../../web/pictures/plan_data.js";
import { barOf, CLEARANCE_M, isInside, reachesInto } from "../../web/pictures/plan_way.js";
import { planWords, wayWords, windWords } from "../../web/pictures/plan_words.js";

import { View } from "../../web/session/view.js";
import { storeOf } from "./vectors.js";

const BOX = { width: 360, height: 300 };
const place = (east, north, more = {}) => ({ east, north, ...more });
const flown = (more = {}) => ({
  track: [
    place(0, 0, { phase: "boost" }),
    place(2, 10, { phase: "boost" }),
    place(4, 40, { phase: "coast" }),
    place(60, -10, { phase: "descent" }),
    place(68, -17, { phase: "descent" }),
  ],
  doubt: 7,
  best: place(68, -17, { basis: "landed", radius: 7 }),
  ...more,
});
const field = (kind, ...parts) => ({ [kind]: parts });
const SQUARE = [
  [20, -30],
  [40, -30],
  [40, 20],
  [20, 20],
];

/** Numbers between 0 and 1, the same each time (a linear congruential generator, constants from memory). */
function numbers(seed) {
  let state = seed;
  return () => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    return state / 2 ** 32;
  };
}

// The check shares nothing with the code: the turns a ring takes about a point, and the line looked at point by point.
function surrounds(ring, [x, y]) {
  let turned = 0;
  ring.forEach(([ax, ay], i) => {
    const [bx, by] = ring[(i + 1) % ring.length];
    const [ux, uy, vx, vy] = [ax - x, ay - y, bx - x, by - y];
    turned += Math.atan2(ux * vy - uy * vx, ux * vx + uy * vy);
  });
  return Math.abs(turned) > Math.PI;
}
const along = (from, to, share) => [
  from.east + (to.east - from.east) * share,
  from.north + (to.north - from.north) * share,
];
function farFrom([x, y], line) {
  let least = Infinity;
  line.slice(1).forEach(([bx, by], i) => {
    const [ax, ay] = line[i];
    for (let k = 0; k <= 400; k++)
      least = Math.min(least, Math.hypot(ax + ((bx - ax) * k) / 400 - x, ay + ((by - ay) * k) / 400 - y));
  });
  return least;
}

test("north is up, east is right, and both axes have one scale", () => {
  const { pad, lies, scale } = planShapes(flown(), BOX);
  assert.ok(Math.abs(lies.x - pad.x - 68 * scale) < 1e-6 && Math.abs(lies.y - pad.y - 17 * scale) < 1e-6);
  assert.ok(Math.abs(lies.r - 7 * scale) < 1e-6);
});

test("rings stand at round distances about the pad, and the bar is as long as it says", () => {
  for (const far of [3, 40, 700, 90_00]) {
    const shapes = planShapes(flown({ best: place(far, 0, { basis: "forecast", radius: 5 }) }), BOX);
    assert.ok(shapes.rings.length >= 2 && shapes.rings.length <= 16);
    for (const { r, meters } of shapes.rings) {
      assert.ok(Math.abs(r - meters * shapes.scale) < 1e-6);
      assert.equal(roundUp(shapes.rings[0].meters), shapes.rings[0].meters);
    }
    const { length, text } = shapes.bar;
    const said = Number.parseFloat(text) * (text.endsWith("km") ? 1000 : 1);
    assert.ok(Math.abs(length - said * shapes.scale) < 0.6 * shapes.scale && length <= BOX.width / 3 + 1, text);
  }
});

test("everything of the flight is within the box, whatever its size", () => {
  const next = numbers(5);
  for (let i = 0; i < 200; i++) {
    const size = 10 ** (1 + 3 * next());
    const some = () => place((next() - 0.5) * size, (next() - 0.5) * size);
    const data = {
      track: Array.from({ length: 9 }, () => ({ ...some(), phase: "descent" })),
      best: { ...some(), basis: "forecast", radius: next() * size * 0.2 },
      last: { ...some(), text: "heard" },
    };
    const shapes = planShapes(data, BOX);
    const inBox = ([px, py]) => px >= 0 && px <= BOX.width && py >= 0 && py <= BOX.height;
    assert.ok(shapes.legs.flatMap(({ points }) => points).every(inBox));
    const { x, y, r } = shapes.lies;
    assert.ok(x - r >= 0 && x + r <= BOX.width && y - r >= 0 && y + r <= BOX.height);
    assert.ok(inBox([shapes.pad.x, shapes.pad.y]) && inBox([shapes.last.x, shapes.last.y]));
  }
});

test("a picture that grows a little keeps its scale", () => {
  const scales = Array.from(
    { length: 40 },
    (_, i) => planShapes(flown({ best: place(68 + i / 10, -17, { basis: "forecast", radius: 9 }) }), BOX).scale,
  );
  assert.ok(new Set(scales).size <= 2);
});

test("legs change with the phase and join", () => {
  const { legs } = planShapes(flown(), BOX);
  assert.deepEqual(
    legs.map(({ phase, points }) => [phase, points.length]),
    [
      ["boost", 2],
      ["coast", 2],
      ["descent", 3],
    ],
  );
  assert.deepEqual(legs[1].points[0], legs[0].points.at(-1));
});

test("the walking line leads from the pad to where it lies, with distance and bearing", () => {
  const { walk, pad, lies } = planShapes(flown(), BOX);
  assert.deepEqual([walk.x1, walk.y1, walk.x2, walk.y2], [pad.x, pad.y, lies.x, lies.y]);
  assert.equal(walk.label.text, "70 m 104\u00b0");
});

test("from where the person stands, once that is known", () => {
  const data = flown({ person: place(68, 33, { accuracy: 5 }) });
  const { walk, person } = planShapes(data, BOX);
  assert.deepEqual([walk.x1, walk.y1], [person.x, person.y]);
  assert.equal(walk.label.text, "50 m 180\u00b0");
});

test("no line leads to a point heard in the air, nor where one stands already, nor without a place", () => {
  for (const best of [undefined, place(30, 30, { basis: "last" }), place(1, 2, { basis: "landed", radius: 7 })])
    assert.equal(planShapes(flown({ best }), BOX).walk, null);
});

test("no line is drawn into or across a keep-out, a road, wires or the edge of the field, and it is said why", () => {
  const across = [
    [30, -60],
    [30, 40],
  ];
  const cases = [
    [field("keep_out", { name: "spectators", points: SQUARE }), "a keep-out (spectators) lies between"],
    [field("keep_out", { points: SQUARE }), "a keep-out lies between"],
    [
      field("keep_out", { name: "barn", points: SQUARE.map(([e, n]) => [e + 40, n]) }),
      "it lies within a keep-out (barn)",
    ],
    [field("keep_out", { points: SQUARE.map(([e, n]) => [e - 30, n]) }), "a keep-out lies between"],
    [field("roads", { name: "farm road", points: across }), "a road (farm road) lies between"],
    [field("wires", { points: across }), "wires lie between"],
    [
      {
        boundary: [
          [-90, -90],
          [50, -90],
          [50, 90],
          [-90, 90],
        ],
      },
      "the edge of the field lies between",
    ],
  ];
  for (const [map, why] of cases) {
    const data = flown({ map });
    assert.equal(planShapes(data, BOX).walk, null, why);
    assert.equal(walkOf(data).bar.sentence, `not straight: ${why}; the range officer says the way`);
    assert.ok(planWords(data).includes(`No line to walk is drawn: not straight: ${why}`));
  }
  const aside = flown({ map: field("keep_out", { points: SQUARE.map(([e, n]) => [e, n + 60]) }) });
  assert.ok(planShapes(aside, BOX).walk);
});

test("a way that is free of every declared thing is shown, one that is not never is: looked at point by point", () => {
  const next = numbers(16);
  let [shown, hidden] = [0, 0];
  for (let i = 0; i < 1500; i++) {
    const middle = [(next() - 0.5) * 120, (next() - 0.5) * 120];
    const corners = 3 + Math.floor(next() * 6);
    // A star of random rays: rarely convex, never crossing itself.
    const turns = Array.from({ length: corners }, (_, k) => ((k + 0.8 * next()) / corners) * 2 * Math.PI);
    const ring = turns.map((turn) => {
      const ray = 4 + 50 * next();
      return [middle[0] + ray * Math.cos(turn), middle[1] + ray * Math.sin(turn)];
    });
    const [from, to] = [place(0, 0), place((next() - 0.5) * 200, (next() - 0.5) * 200)];
    const bar = barOf(from, to, field("keep_out", { points: ring }));
    const points = Array.from({ length: 401 }, (_, k) => along(from, to, k / 400));
    const inside = points.some((point) => surrounds(ring, point));
    if (inside) assert.ok(bar, `case ${i}: drawn through`);
    if (bar && !inside) {
      const closed = [...ring, ring[0]];
      const near = Math.min(...points.map((point) => farFrom(point, closed)));
      assert.ok(near <= CLEARANCE_M + 0.5, `case ${i}: refused at ${near} m`);
    }
    if (bar) hidden++;
    else shown++;
    assert.equal(isInside(to, ring), surrounds(ring, [to.east, to.north]), `case ${i}: inside`);
  }
  assert.ok(shown > 200 && hidden > 200, `${shown} ${hidden}`);
});

test("a line that was drawn across wires would be seen point by point", () => {
  const next = numbers(99);
  for (let i = 0; i < 400; i++) {
    const wires = Array.from({ length: 4 }, () => [(next() - 0.5) * 150, (next() - 0.5) * 150]);
    const to = place((next() - 0.5) * 150, (next() - 0.5) * 150);
    const bar = barOf(place(0, 0), to, field("wires", { points: wires }));
    const near = Math.min(...Array.from({ length: 401 }, (_, k) => farFrom(along(place(0, 0), to, k / 400), wires)));
    if (!bar) assert.ok(near > CLEARANCE_M - 0.01, `case ${i}: ${near} m`);
    else assert.ok(near <= CLEARANCE_M + 0.6, `case ${i}: ${near} m`);
  }
});

test("a keep-out that reaches into the circle is told although the line is free", () => {
  const ring = SQUARE.map(([e, n]) => [e + 54, n + 6]);
  assert.ok(reachesInto(place(68, -17), 7, ring));
  const data = flown({ map: field("keep_out", { name: "pond", points: ring }) });
  assert.ok(planShapes(data, BOX).walk);
  assert.equal(wayWords(data), "a keep-out (pond) lies within its circle: ask the range officer first");
  assert.equal(wayWords(flown()), "");
});

test("the wind is an arrow where its direction is known, and words in any case", () => {
  const east = { speed: 1.85, toward: Math.PI / 2, source: "measured by its drift under the parachute" };
  const { wind } = planShapes(flown({ wind: east }), BOX);
  assert.ok(wind.x2 > wind.x1 + 20 && Math.abs(wind.y2 - wind.y1) < 1e-9);
  assert.equal(windWords(east), "Wind 1.9 m/s toward 090\u00b0 E, measured by its drift under the parachute");
  const pad = { speed: 1.3, source: "at the pad by the site's sheet" };
  assert.equal(planShapes(flown({ wind: pad }), BOX).wind, null);
  assert.equal(windWords(pad), "Wind 1.3 m/s, direction not told, at the pad by the site's sheet");
});

test("the wind measured at the pad goes before the sheet's, as it stood at the lift-off", () => {
  const tick = (rx, number, by = "Ines") => ({ rx, t: rx, topic: "pad_sheet", key: "item wind", body: { number, by } });
  const groups = [{ title: "Made", items: [{ name: "wind", roles: [], measures: "site.wind" }] }];
  const definition = { rx: 0, t: 0, topic: "pad_sheet", key: "definition", body: { groups } };
  const lifted = { rx: 30, t: 30, topic: "moment", key: "lift_off", body: { t: 30 } };
  const at = (rx, ...journal) => {
    const all = [definition, ...journal].map((one, i) => ({ i, severity: "info", text: "x", ...one }));
    const store = storeOf(["ground.height"], [[0, 0, 0]], { journal: all, now: rx });
    store.dictionary = { ...store.dictionary, site: { wind_m_s: 1.3 } };
    return windOf(new View(store, { rx, t: rx, live: false }, {}));
  };
  const sheet = { speed: 1.3, source: "at the pad by the site's sheet" };
  assert.deepEqual(at(5), sheet);
  assert.deepEqual(at(20, tick(10, 6.6)), { speed: 6.6, source: "measured at the pad" });
  assert.deepEqual(at(9, tick(10, 6.6)), sheet, "what comes later is not known yet");
  assert.deepEqual(at(20, tick(10, 6.6), tick(15, null, "")), sheet, "taken back");
  assert.deepEqual(at(50, tick(10, 6.6), lifted, tick(40, 9)), { speed: 6.6, source: "measured at the pad" });
});

test("no label lies on another", () => {
  const landmarks = Array.from({ length: 12 }, (_, i) => ({ name: `post ${i}`, ...place(i * 4, -i * 2) }));
  const shapes = planShapes(flown({ map: { landmarks }, last: place(60, -10, { text: "heard 3.0 s ago" }) }), BOX);
  const put = [shapes.walk, shapes.pad, shapes.lies, ...shapes.landmarks, ...shapes.rings]
    .map(({ label }) => label)
    .filter(Boolean);
  const boxes = put.map(({ x, y, anchor, text }) => {
    const wide = text.length * 6.6;
    const left = anchor === "start" ? x : anchor === "end" ? x - wide : x - wide / 2;
    return [left, left + wide, y - 11, y + 3];
  });
  assert.ok(boxes.length >= 6);
  boxes.forEach((a, i) => {
    for (const b of boxes.slice(i + 1)) assert.ok(a[1] < b[0] || b[1] < a[0] || a[3] < b[2] || b[3] < a[2]);
  });
});

test("the words say what the picture shows", () => {
  const words = planWords(flown({ map: { landmarks: [{ name: "barn", ...place(0, 100) }] } }));
  assert.match(words, /^Plan, north up\. It lies 70 m, 104\u00b0 E from the pad, within 7 m \(95\u00a0%\)\./);
  assert.match(words, /barn 100 m, 000\u00b0 N from the pad\.$/);
  assert.equal(planWords({ track: [] }), "Plan, north up. Where it lies is not known. No track.");
});

test("in feet the rings are round in feet", () => {
  const FOOT = 0.3048;
  const unit = { of_m: FOOT, text: (meters) => `${Math.round(meters / FOOT)} ft` };
  const { rings } = planShapes(flown(), BOX, unit);
  assert.equal(roundUp(Math.round(rings[0].meters / FOOT)), Math.round(rings[0].meters / FOOT));
});
