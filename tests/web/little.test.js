// A vehicle that tells little: what it has no role for is absent, and where it is comes from GNSS.

import assert from "node:assert/strict";
import { test } from "node:test";
import { timelineMarks } from "../../web/frame/replay_bar.js";
import { valueText } from "../../web/kit/format.js";
import { bestPlace } from "../../web/panels/find/whereabouts.js";
import { figureRows, figuresOf } from "../../web/panels/learn/figures_panel.js";
import { summaryRows } from "../../web/panels/learn/summary_panel.js";
import { tellsPlace } from "../../web/pictures/plan_data.js";
import { lacking } from "../../web/session/needs.js";
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

test("what the station cannot compute names what this vehicle does not tell", () => {
  const roles = (...names) => new Map(names.map((name) => [name, {}]));
  const attitude = ["w", "x", "y", "z"].map((part) => `attitude_quaternion.${part}`);
  const velocity = ["east", "north", "up"].map((part) => `velocity.${part}`);
  assert.equal(lacking(roles(), "ground.tilt"), "attitude");
  assert.equal(lacking(roles(...attitude), "ground.tilt"), "");
  assert.equal(lacking(roles("pressure"), "ground.speed"), "attitude and velocity");
  assert.equal(lacking(roles(...attitude, ...velocity), "ground.speed"), "");
  assert.equal(lacking(roles("altitude_baro"), "ground.height"), "");
  assert.equal(lacking(roles("accel.a.z"), "ground.height"), "pressure or altitude");
  assert.equal(lacking(roles(), "battery.voltage"), "");
});

test("the greatest speed has its doubt, and what is missing its reason", () => {
  const flown = {
    lift_off_t: 20,
    figures: { greatest_speed: { t: 21.5, speed_m_s: 69, sigma_m_s: 2.5, source: "forces" } },
  };
  const rows = (summary) => Object.fromEntries(summaryRows(summary, new Map()));
  assert.equal(rows(flown)["Greatest speed"], "69 \u00b1 5 m/s by the forces at T+1.5 s");
  assert.match(rows(flown)["Greatest tilt before apogee"], /attitude is not in this vehicle's dictionary/);
  const refused = { figures: { greatest_speed: { reason: "no burnout was seen" } } };
  assert.equal(rows(refused)["Greatest speed"], "not measured: no burnout was seen");
  assert.equal(rows({})["Greatest speed"], "not measured: it did not fly");
  assert.equal(rows({}).Apogee, "not reached");
});

test("the first start is no mark, a restart is one with its sentence", () => {
  const view = viewOf("air", [column("p", "pressure", "Pa")], [20, 20, 94000]);
  const entry = (i, topic, key, text, body) => ({ i, rx: i, t: i, topic, key, severity: "info", text, body });
  view.store.journal.add([
    entry(0, "restart", "boot_id", "", { boot_id: 0 }),
    entry(1, "restart", "vehicle", "the vehicle restarted", {}),
    entry(2, "mark", "1", "motor in", {}),
  ]);
  assert.deepEqual(
    timelineMarks(view).map(({ name }) => name),
    ["The vehicle restarted", "motor in"],
  );
});

test("why no apogee was predicted stands among the numbers, and nothing of it where one was", () => {
  const rows = (...reasons) => {
    const view = viewOf("air", [column("p", "pressure", "Pa")], [20, 20, 94000]);
    view.store.journal.add(
      reasons.map((reason, i) => ({ i, rx: i, t: i, topic: "prediction", key: "apogee", text: "", body: { reason } })),
    );
    return figureRows(figuresOf(view), 0);
  };
  assert.deepEqual(rows("no burnout yet", "they contradict each other", "no longer climbs"), [
    ["Predicted apogee", "not measured: they contradict each other"],
  ]);
  assert.deepEqual(rows("no burnout yet", "", "no longer climbs"), []);
  assert.deepEqual(rows(), []);
});
