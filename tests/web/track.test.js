// The track seen from above: by the vehicle's navigation, else by GNSS, with where it lies and where a lost part fell.

import assert from "node:assert/strict";
import { test } from "node:test";

import { judgedPlace, planDataOf, trackOf } from "../../web/pictures/plan_data.js";
import { Store } from "../../web/session/store.js";
import { View } from "../../web/session/view.js";

const columns = ["east", "north", "up"].map((name) => ({
  name,
  channel: `gnss.${name}`,
  kind: "number",
  unit: "m",
  role: `ground.gnss_${name}`,
}));

function viewOf(rows) {
  const store = new Store({
    name: "made",
    vehicle: "Made",
    commands: [],
    tables: [{ name: "ground_gnss", title: "GNSS", rate_hz: 5, columns }],
  });
  store.update({ from: { ground_gnss: 0 }, rows: { ground_gnss: rows }, rx_now: 20, t_now: 20 });
  return new View(store, { rx: 20, t: 20, live: true }, {});
}

test("fixes make a track, what is no number is left out, and a long one is thinned", () => {
  const few = viewOf([
    [1, 1, 0, 0, 0],
    [2, 2, NaN, 0, 0],
    [3, 3, 30, -40, 9],
  ]);
  assert.deepEqual(trackOf(few), {
    points: [
      { east: 0, north: 0, phase: "" },
      { east: 30, north: -40, phase: "" },
    ],
    source: "GNSS",
  });
  const many = viewOf(Array.from({ length: 5000 }, (_, i) => [i / 250, i / 250, i, -i, 0]));
  const { points } = trackOf(many);
  assert.ok(points.length <= 240 && points.length > 100);
  assert.equal(trackOf(viewOf([])), undefined);
});

test("a forecast and a lost part are places with a circle", () => {
  const view = viewOf([[1, 1, 0, 0, 0]]);
  const body = {
    whereabouts_basis: "forecast",
    whereabouts_distance_m: 100,
    whereabouts_bearing_deg: 90,
    whereabouts_radius_m: 40,
    other_east_m: 50,
    other_north_m: 60,
    other_radius_m: 70,
  };
  view.state = () => ({ body });
  const own = judgedPlace(view);
  assert.deepEqual([Math.round(own.east), Math.round(own.north), own.radius, own.basis], [100, 0, 40, "forecast"]);
  assert.deepEqual(planDataOf(view).other, { east: 50, north: 60, radius: 70 });
});
