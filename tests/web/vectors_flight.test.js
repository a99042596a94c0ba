// What station and page both work out of a flight's rows, by the station's own cases.

import assert from "node:assert/strict";
import { test } from "node:test";

import { bearing } from "../../web/kit/format.js";
import { fromPad } from "../../web/panels/find/from_pad.js";
import { Timebase } from "../../web/session/timebase.js";
import { View } from "../../web/session/view.js";
import { entry } from "./make.js";
import { close, storeOf, vectors } from "./vectors.js";

test("bearing and distance from the pad", () => {
  for (const { east, north, distance_m, bearing_deg } of vectors("from_pad")) {
    const to = fromPad(east, north);
    assert.ok(close(to.distance, distance_m), `${east} ${north}`);
    if (bearing_deg === null) continue; // at the pad itself; the page shows no bearing there
    assert.ok(close(((to.bearing * 180) / Math.PI + 360) % 360, bearing_deg), `${east} ${north}`);
    assert.equal(Number(bearing(to.bearing).degrees), Math.round(bearing_deg) % 360);
  }
});

test("the greatest value of a flight, and of its ascent", () => {
  const cases = vectors("greatest");
  assert.ok(cases.some(({ flight, ascent }) => flight !== null && ascent !== null && flight !== ascent));
  for (const { rows, moments, flight, ascent } of cases) {
    const journal = Object.entries(moments).map(([key, t], i) => entry(i, t, "moment", key, { t }));
    const table = rows.map(([t, value]) => [t, t, value]);
    const view = new View(storeOf(["ground.speed"], table, { journal }), { rx: 99, t: 99, live: true }, {});
    assert.equal(view.greatestInFlight("ground.speed") ?? null, flight);
    assert.equal(view.greatestInFlight("ground.speed", "apogee") ?? null, ascent);
  }
});

test("how far the timeline had come with a packet, and what had arrived when it stood there", () => {
  for (const { rows, reached, arrived } of vectors("clocks")) {
    const table = rows.map(([t, rx]) => [t, rx, 0]);
    const store = storeOf(["ground.speed"], table, { now: 1000 });
    const timebase = new Timebase(store);
    rows.forEach(([, rx], i) => {
      // Of packets that came at one instant the last one counts.
      if (rows[i + 1]?.[1] !== rx) assert.ok(close(timebase.tAt(rx), reached[i]), `rx ${rx}`);
    });
    for (const { t, rx } of arrived) {
      const x = store.tables.get("x");
      assert.equal(x.rx[x.rowAt(timebase.rxAt(t))], rx, `t ${t}`);
    }
  }
});
