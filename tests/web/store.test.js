import assert from "node:assert/strict";
import { test } from "node:test";

import { parseColumns } from "../../web/session/columns.js";
import { commandFor, family, safeAllCommand } from "../../web/session/roles.js";
import { Store } from "../../web/session/store.js";
import { lastAtOrBefore, Table } from "../../web/session/table.js";
import { View } from "../../web/session/view.js";
import { columnsBuffer, DICTIONARY, entry } from "./make.js";

const rows = (from, to) =>
  Array.from({ length: to - from }, (_, i) => [from + i, from + i + 0.5, 10 * (from + i), 0, `n${from + i}`]);

test("binary search agrees with looking at every element", () => {
  const values = Float64Array.from([0, 1, 1, 2, 5, 5, 5, 9]);
  for (let x = -1; x <= 10; x += 0.25) {
    let expected = -1;
    values.forEach((value, i) => {
      if (value <= x) expected = i;
    });
    assert.equal(lastAtOrBefore(values, values.length, x), expected, `x ${x}`);
  }
});

test("rows known already are skipped by absolute index", () => {
  const table = new Table(DICTIONARY.tables[0]);
  table.append(0, rows(0, 5));
  table.append(3, rows(3, 8));
  table.append(0, rows(0, 8));
  assert.equal(table.n, 8);
  assert.deepEqual([...table.t.subarray(0, 8)], [0, 1, 2, 3, 4, 5, 6, 7]);
  assert.equal(table.value(2, 7), "n7");
});

test("a jump in the index leaves one row without values, which is not NaN", () => {
  const table = new Table(DICTIONARY.tables[0]);
  table.append(0, rows(0, 2));
  table.append(6, rows(6, 8));
  assert.equal(table.n, 5);
  assert.equal(table.next, 8);
  assert.equal(table.value(0, 2), undefined);
  assert.equal(table.value(0, 3), 60);
});

test("non-finite numbers arrive as words and stay what they are", () => {
  const table = new Table(DICTIONARY.tables[0]);
  table.append(0, [
    [0, 0, "nan", 0, ""],
    [1, 1, "inf", 0, ""],
    [2, 2, "-inf", 0, ""],
  ]);
  assert.deepEqual(
    [0, 1, 2].map((row) => table.value(0, row)),
    [NaN, Infinity, -Infinity],
  );
});

test("a live table never grows past its cap, keeps its newest rows exactly and its oldest time", () => {
  const table = new Table(DICTIONARY.tables[0], 1000);
  for (let i = 0; i < 12345; i += 5) {
    table.append(i, rows(i, i + 5));
    assert.ok(table.n <= 1000);
  }
  assert.equal(table.next, 12345);
  assert.equal(table.t.length, 1000);
  assert.equal(table.t[table.n - 1], 12344);
  for (let back = 0; back < 400; back++) assert.equal(table.t[table.n - 1 - back], 12344 - back);
  for (let row = 1; row < table.n; row++) assert.ok(table.t[row] > table.t[row - 1]);
  for (let row = 0; row < table.n; row++) {
    assert.equal(table.value(0, row), 10 * table.t[row]);
    assert.equal(table.value(2, row), `n${table.t[row]}`);
  }
  assert.equal(table.t[0], 0);
  for (let row = 1; row < table.n; row++)
    assert.ok(table.t[row] - table.t[row - 1] <= 128, "no part of the history is lost, only its density");
});

test("live rows and a whole session give the same values to a panel", () => {
  const live = new Store(DICTIONARY, { session: "x", cap: 100 });
  live.update({
    from: { nav: 0 },
    rows: {
      nav: [
        [0, 0, 1, 0, "a"],
        [0.1, 0.1, "nan", 1, "b"],
        [0.2, 0.2, 3, 1, "c"],
      ],
    },
    rx_now: 0.2,
    t_now: 0.2,
  });
  const whole = new Store(DICTIONARY, { session: "x" });
  whole.load(
    parseColumns(
      columnsBuffer("x", { nav: { t: [0, 0.1, 0.2], rx: [0, 0.1, 0.2], up: [1, NaN, 3], mode: [0, 1, 1] } }, [], {
        nav: { note: ["a", "b", "c"] },
      }),
    ),
  );
  for (const rx of [0, 0.05, 0.1, 0.15, 0.2]) {
    const [a, b] = [live, whole].map((store) => new View(store, { rx, t: rx, live: false }, {}));
    assert.deepEqual(a.sample("position.up"), b.sample("position.up"));
    assert.equal(a.word("vehicle_phase"), b.word("vehicle_phase"));
  }
  assert.deepEqual(whole.tables.get("nav").columns[2], ["a", "b", "c"]);
});

test("a hello with the same counters needs no reload, any other does", () => {
  const store = new Store(DICTIONARY, { session: "x" });
  store.update({ from: { nav: 0 }, rows: { nav: rows(0, 3) }, journal: [entry(0, 0, "mark", "m")] });
  const same = { session: "x", cursor: { nav: 3, ground: 0 }, journal_next: 1 };
  assert.equal(store.matches(same), true);
  assert.equal(store.matches({ ...same, session: "y" }), false);
  assert.equal(store.matches({ ...same, cursor: { nav: 4 } }), false);
  assert.equal(store.matches({ ...same, journal_next: 2 }), false);
});

test("stepping goes from packet to packet in arrival order, over all packet tables and not the computed ones", () => {
  const store = new Store(DICTIONARY);
  store.update({ from: { nav: 0, ground: 0 }, rows: { nav: rows(0, 3), ground: [[0.2, 0.7, 1]] } });
  assert.equal(store.neighbor(0.5, 1), 1.5);
  assert.equal(store.neighbor(2.5, 1), undefined);
  assert.equal(store.neighbor(1.5, -1), 0.5);
  assert.equal(store.neighbor(0.5, -1), undefined);
  assert.equal(store.lastHeard(2), 1.5);
});

test("an absent role gives undefined, never an error", () => {
  const view = new View(new Store(DICTIONARY), { rx: 1, t: 1, live: true }, {});
  assert.equal(view.sample("battery.voltage"), undefined);
  assert.equal(view.value("position.up"), undefined);
  assert.equal(view.sample("position.up").stale, true);
  assert.equal(view.lastFinite("position.east", "position.north"), undefined);
  assert.equal(view.greatest("position.up", 0), undefined);
});

test("a value older than two seconds is stale", () => {
  const store = new Store(DICTIONARY);
  store.update({ from: { nav: 0 }, rows: { nav: [[0, 10, 1, 0, ""]] } });
  assert.equal(new View(store, { rx: 11.9, t: 0, live: true }, {}).sample("position.up").stale, false);
  assert.equal(new View(store, { rx: 12.1, t: 0, live: true }, {}).sample("position.up").stale, true);
});

test("the greatest value ignores what is not finite and what lies outside the window", () => {
  const store = new Store(DICTIONARY);
  store.update({
    from: { nav: 0 },
    rows: {
      nav: [
        [0, 0, 99, 0, ""],
        [1, 1, 5, 0, ""],
        [2, 2, "nan", 0, ""],
        [3, 3, "inf", 0, ""],
        [4, 4, 7, 0, ""],
        [5, 5, 50, 0, ""],
      ],
    },
  });
  const view = (rx) => new View(store, { rx, t: rx, live: false }, {});
  assert.equal(view(9).greatest("position.up", 0.5, 4.5), 7);
  assert.equal(view(2).greatest("position.up", 0.5), 5);
});

test("families are found by pattern in natural order", () => {
  const roles = new Map(
    ["camera[10].powered", "camera[2].powered", "camera[2].recording", "rail[servo].current"].map((role) => [role, {}]),
  );
  assert.deepEqual(family(roles, "camera"), ["2", "10"]);
  assert.deepEqual(family(roles, "rail"), ["servo"]);
  assert.deepEqual(family(roles, "fin"), []);
});

test("an act is found by the effect it declares, else by name, and safe-all is never taken for it", () => {
  assert.equal(commandFor(DICTIONARY, "board_inhibit").name, "quiet_board");
  assert.equal(commandFor(DICTIONARY, "camera_power").name, "camera_power");
  assert.equal(commandFor(DICTIONARY, "recovery_fire"), undefined);
  assert.equal(safeAllCommand(DICTIONARY).name, "safe_all");
});

test("the ranges of both clocks follow the station's and never shrink", () => {
  const store = new Store(DICTIONARY);
  store.update({ rx_now: 12, t_now: 10 });
  store.update({ rx_now: 11, t_now: 9 });
  assert.deepEqual(
    [store.tRange, store.rxRange],
    [
      [0, 10],
      [0, 12],
    ],
  );
});
