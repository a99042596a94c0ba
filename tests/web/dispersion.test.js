// Drawn flights on the page: bands as outlines and words, shares, and the stream they come in.

import assert from "node:assert/strict";
import { test } from "node:test";
import { bandOf, caseWords, headline, shareWords } from "../../web/panels/learn/dispersion_panel.js";
import { heldAgainst, isInBand } from "../../web/panels/learn/foretold.js";
import { intervalText } from "../../web/panels/learn/plan_panel.js";
import { bandOutline, planShapes } from "../../web/pictures/plan.js";
import { planWords } from "../../web/pictures/plan_words.js";
import { drawFlights } from "../../web/station/api.js";
import { Shelf } from "../../web/station/shelf.js";

const BAND = { near_m: 50, far_m: 200, from_deg: 350, over_deg: 20, area_m2: 6545 };
const reach = ({ east, north }) => Math.hypot(east, north);

test("a band is a part of a ring, a ring, or a disk", () => {
  const [part, ...none] = bandOutline(bandOf(BAND));
  assert.equal(none.length, 0);
  assert.deepEqual([...new Set(part.map((place) => Math.round(reach(place))))], [200, 50]);
  assert.ok(part.every(({ east, north }) => north > 0 && Math.abs(east) < 36));
  assert.equal(
    bandOutline({ near: 0, far: 10, from: 1, over: 1 })[0].at(-1).east,
    0,
    "without a hole it meets the pad",
  );
  const ring = bandOutline({ near: 5, far: 10, from: 0, over: 2 * Math.PI });
  assert.deepEqual(
    ring.map(([first]) => Math.round(reach(first))),
    [10, 5],
  );
  assert.equal(bandOutline({ near: 0, far: 10, from: 0, over: 2 * Math.PI }).length, 1);
});

test("the plan holds the whole band, and its words tell it", () => {
  const data = { track: [], bands: [bandOf(BAND)], drawn: [{ east: 0, north: 100 }] };
  const shapes = planShapes(data, { width: 400, height: 300 });
  assert.ok(shapes.bands[0][0].every(([x, y]) => x >= 0 && x <= 400 && y >= 0 && y <= 300));
  assert.equal(shapes.drawn.length, 1);
  assert.equal(
    planWords(data),
    "Plan, north up. 95\u00a0% of flights come down 50 m to 200 m from the pad, bearing 350\u00b0 to 010\u00b0.",
  );
});

test("shares and sentences", () => {
  assert.deepEqual([0, 0.004, 0.5, 0.996, 1].map(shareWords), [
    "none",
    "less than 1\u00a0%",
    "50\u00a0%",
    "more than 99\u00a0%",
    "all",
  ]);
  const told = { title: "opens late", band: BAND, outside: 0.12 };
  assert.match(
    caseWords(told),
    /^Opens late: 95.* 50 m to 200 m from the pad, bearing 350.*; 12.% outside the field\.$/,
  );
  assert.equal(caseWords({ ...told, band: null, outside: null }), "Opens late: too few to say where they come down.");
  const control = { seconds: { low: 1.2, middle: 2, high: 3.4 }, needs_s: 2, chance: 0.5 };
  assert.equal(
    headline({ stuck: 3, flights: 200, control }),
    "3 of 200 flights never left the rail. Under control for 1.2 to 3.4 s; the 2 s it needs come in 50\u00a0% of them",
  );
  assert.equal(headline({ stuck: 0, flights: 200, control: null }), "");
});

test("the stream is told as it comes, in pieces of any size, and its end is the answer", async (t) => {
  const text = `{"done":25}\n{"done":50}\n{"told":{"seed":1}}\n`;
  const pieces = (cut) => text.match(new RegExp(`[^]{1,${cut}}`, "g"));
  for (const cut of [3, 1000]) {
    t.mock.method(globalThis, "fetch", async () => {
      const body = new ReadableStream({
        start(to) {
          for (const one of pieces(cut)) to.enqueue(new TextEncoder().encode(one));
          to.close();
        },
      });
      return new Response(body);
    });
    const heard = [];
    assert.deepEqual(await drawFlights("mine", {}, (done) => heard.push(done)), { seed: 1 });
    assert.deepEqual(heard, [25, 50]);
    t.mock.restoreAll();
  }
  t.mock.method(globalThis, "fetch", async () => new Response(`{"sentence":"The sheet lacks it."}\n`));
  await assert.rejects(
    drawFlights("mine", {}, () => {}),
    /The sheet lacks it/,
  );
});

test("a later drawing ends an earlier one, and one that is stopped says so", async () => {
  const asked = [];
  const drawing = (_name, query, heard, signal) =>
    new Promise((answer, end) => {
      asked.push({ query, heard, answer });
      signal.addEventListener("abort", () => end(Object.assign(new Error("gone"), { name: "AbortError" })));
    });
  const hooks = { changed() {}, trouble() {}, token: () => null, opened: () => "mine" };
  const shelf = new Shelf(hooks, { drawFlights: drawing });
  const first = shelf.acts.drawFlights("mine", { mass_g: "1" }, 200);
  await new Promise(setImmediate);
  asked[0].heard(25);
  assert.deepEqual(shelf.plans.mine.drawn.busy, { done: 25, of: 200 });
  const second = shelf.acts.drawFlights("mine", {}, 200);
  await first;
  await new Promise(setImmediate);
  assert.equal(asked.length, 2);
  asked[1].answer({ seed: 2 });
  await second;
  assert.deepEqual(shelf.plans.mine.drawn, { changes: {}, told: { seed: 2 } });
  const third = shelf.acts.drawFlights("mine", {}, 200);
  await new Promise(setImmediate);
  shelf.acts.stopDrawing();
  await third;
  assert.equal(shelf.plans.mine.drawn.problem, "Ended before it was done.");
});

test("what was foretold is held against what was flown, and only what both tell", () => {
  const span = (low, high) => ({ low, middle: (low + high) / 2, high });
  const foretold = {
    numbers: { apogee_m: span(240, 310), rail_exit_speed_m_s: span(16, 19), lean_rad: null },
    cases: [{ case: "nominal", band: BAND }],
  };
  const flown = {
    apogee: { height_m: 320 },
    rail_exit: { speed_m_s: 17.4 },
    lean: { greatest_tilt_rad: 0.1 },
    recovery: { landing_east_m: 0, landing_north_m: 120, whereabouts_basis: "landed" },
  };
  assert.deepEqual(
    heldAgainst(foretold, (name) => flown[name]),
    [
      { title: "Apogee", foretold: "240 m to 310 m", flown: "320 m", held: false },
      { title: "Speed at the rail\u2019s end", foretold: "16.0 m/s to 19.0 m/s", flown: "17.4 m/s", held: true },
      { title: "Landing", foretold: "50 m to 200 m from the pad", flown: "120 m", held: true },
    ],
  );
  assert.deepEqual(
    heldAgainst(undefined, () => undefined),
    [],
  );
  const places = [
    [0, 120],
    [40, 100],
    [0, 40],
    [0, 220],
    [0, -120],
  ];
  assert.deepEqual(
    places.map(([east, north]) => isInBand({ east, north }, BAND)),
    [true, false, false, false, false],
  );
});

test("an interval stands beside the forecast it was drawn for, and no other", () => {
  const drawn = { changes: { mass_g: "80", sounding: "x" }, told: { numbers: { apogee_m: { low: 240, high: 310 } } } };
  assert.equal(intervalText("apogee_m", drawn, { mass_g: "80" }, 0, 1, "m"), "240 to 310");
  assert.equal(intervalText("apogee_m", drawn, { mass_g: "90" }, 0, 1, "m"), "");
  assert.equal(intervalText("mass_kg", drawn, { mass_g: "80" }, 0, 1), "");
  assert.equal(intervalText("apogee_m", undefined, {}, 0, 1, "m"), "");
});
