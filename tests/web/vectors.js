// The cases that the station's side made (`python -m tests.vectors`), and the small sessions they are looked at in.

import { readFileSync } from "node:fs";

import { Store } from "../../web/session/store.js";
import { View } from "../../web/session/view.js";
import { DICTIONARY } from "./make.js";

export const vectors = (name) => JSON.parse(readFileSync(new URL(`../vectors/${name}.json`, import.meta.url), "utf8"));

export const close = (one, other) => Math.abs(one - other) <= 1e-12 * Math.max(1, Math.abs(one), Math.abs(other));

/** A store with one table of these roles, of rows [t, rx, ...values]. */
export function storeOf(roles, rows, { journal = [], now = 0 } = {}) {
  const columns = roles.map((role) => ({ name: role, channel: role, kind: "number", unit: "", role }));
  const store = new Store({ ...DICTIONARY, tables: [{ name: "x", title: "X", rate_hz: 10, columns }] });
  store.update({ rows: { x: rows }, journal, rx_now: now, t_now: now });
  return store;
}

/** A view of one row of numbers by role, `age` seconds old. */
export function viewOf(values, age = 0) {
  const store = storeOf(Object.keys(values), [[0, 0, ...Object.values(values)]]);
  return new View(store, { rx: age, t: age, live: true }, {});
}
