// A vehicle that tells little: what it has no role for is absent, and where it is comes from GNSS.

import assert from "node:assert/strict";
import { test } from "node:test";

import { valueText } from "../../web/kit/format.js";
import { bestPlace, tellsPlace } from "../../web/panels/find/whereabouts.js";
import { Store } from "../../web/session/store.js";
import { View } from "../../web/session/view.js";

const column = (name, role, unit = "m") => ({ name, channel: `gnss.${name}`, kind: "number", unit, role });
const columns = [
  column("east", "ground.gnss_east"),
  column("north", "ground.gnss_north"),
  column("up", "ground.gnss_up"),
];
const viewOf = (name, kept, row) => {
  const store = new Store({
    name: "made",
    vehicle: "Made",
    commands: [],
    tables: [{ name, title: name, rate_hz: 5, columns: kept }],
  });
  store.update({ from: { [name]: 0 }, rows: { [name]: [row] }, rx_now: 20, t_now: 20 });
  return new View(store, { rx: 20, t: 20, live: true }, {});
};

test("coordinates have seven decimals, other angles one", () => {
  const at = { kind: "number", unit: "deg", display_unit: "deg", role: "gnss.latitude" };
  assert.equal(valueText(at, 39.1234567), "39.1234567");
  assert.equal(valueText({ ...at, role: "ground.gnss_longitude" }, -8.5), "\u22128.5000000");
  assert.equal(valueText({ ...at, role: "fin[1].measured" }, 39.1234567), "39.1");
});

test("a place by GNSS is a place, with and without a height", () => {
  for (const up of [12, NaN]) {
    const view = viewOf("ground_gnss", columns, [20, 20, 30, 40, up]);
    assert.equal(tellsPlace(view), true);
    assert.equal(Math.round(bestPlace(view).distance), 50);
  }
});

test("a barometer alone tells no place", () => {
  const view = viewOf("air", [column("p", "pressure", "Pa")], [20, 20, 94000]);
  assert.equal(tellsPlace(view), false);
  assert.equal(bestPlace(view), undefined);
});
