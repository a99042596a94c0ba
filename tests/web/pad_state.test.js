// The pad sheet as the journal tells it, and the values beside its bounds.

import assert from "node:assert/strict";
import { test } from "node:test";

import {
  closedAt,
  exceptionsOf,
  handsOf,
  plain,
  sheetAt,
  sheetNow,
  standingWords,
  standsWords,
  summaryOf,
  tickWords,
  toneNow,
  toneOf,
  valueBeside,
} from "../../web/panels/ready/pad_state.js";
import { Store } from "../../web/session/store.js";
import { View } from "../../web/session/view.js";
import { entry } from "./make.js";

const number = (name, role, more = {}) => ({
  name,
  channel: `x.${name}`,
  kind: "number",
  unit: "V",
  display_unit: "V",
  display_scale: 1,
  display_offset: 0,
  role,
  ...more,
});
const DICTIONARY = {
  name: "made",
  vehicle: "Made",
  commands: [],
  tables: [
    {
      name: "x",
      title: "X",
      rate_hz: 2,
      columns: [
        number("volts", "battery.voltage"),
        number("one", "camera[1].storage_left"),
        number("two", "camera[2].storage_left"),
        { ...number("a", "recovery[1].continuity"), kind: "flag" },
        { ...number("b", "recovery[2].continuity"), kind: "flag" },
        number("ax", "accel.a.x"),
        number("ay", "accel.a.y"),
        number("az", "accel.a.z"),
        number("bx", "accel.b.x"),
        number("by", "accel.b.y"),
        number("bz", "accel.b.z"),
      ],
    },
  ],
};
const ROW = [9, 9, 7.5, 20, 14, 1, 0, 1, 2, 9, 1, 5, 5];
const auto = (name, roles, comparison = "at_least", flag = null) => ({
  name,
  title: name,
  why: "",
  automatic: true,
  bound: "b",
  roles,
  comparison,
  flag,
  unit: null,
});
const ITEMS = [
  auto("battery", ["battery.voltage"]),
  auto("storage", ["camera[1].storage_left", "camera[2].storage_left"]),
  auto("most", ["camera[1].storage_left", "camera[2].storage_left"], "at_most"),
  auto("recovery", ["recovery[1].continuity", "recovery[2].continuity"], "equals", 1),
  auto("units", ["units.force_apart"], "at_most"),
  auto("warnings", ["ground.warnings"], "equals"),
  auto("wind", ["site.wind"], "at_most"),
  {
    name: "key",
    title: "key",
    why: "",
    automatic: false,
    bound: "",
    roles: [],
    comparison: "",
    flag: null,
    unit: null,
  },
];
const line = (standing, more = {}) => ({
  standing,
  value: "kept",
  since_rx: 1,
  lost: false,
  by: "",
  at: "",
  number: null,
  cleared: "",
  ...more,
});
const journal = (...more) => [
  entry(0, 1, "pad_sheet", "definition", {
    title: "Sheet",
    note: "",
    at: "2026-06-15T15:00:00Z",
    groups: [{ title: "G", items: ITEMS }],
    toml: "",
  }),
  entry(1, 1, "pad_sheet", "sheet", { state: "open", round: 1, why: "" }),
  ...more,
];

function view(entries, cursor = { rx: 10, t: 10, live: true }, rows = [ROW]) {
  const store = new Store(DICTIONARY);
  store.update({ from: { x: 0 }, rows: { x: rows }, journal: entries, rx_now: 10, t_now: 10 });
  return new View(store, cursor, { replay: null, silentSince: null });
}

const values = (seen) => {
  const sheet = sheetAt(seen.store.journal, seen.rxLimit);
  return Object.fromEntries(sheet.groups[0].items.map((item) => [item.name, valueBeside(seen, sheet, item)]));
};

test("values are read from telemetry: the worst of a family, flags counted, the units' distance, warnings", () => {
  const seen = view(
    journal(
      entry(2, 2, "alarm", "a", { state: "raised" }, "", "warning"),
      entry(3, 3, "pad_sheet", "item wind", line("met", { value: "1.3 m/s" })),
    ),
  );
  assert.deepEqual(values(seen), {
    battery: "7.50 V",
    storage: "14.00 V",
    most: "20.00 V",
    recovery: "1 of 2",
    units: "5.00 m/s\u00b2",
    warnings: "1",
    wind: "1.3 m/s",
    key: "",
  });
});

test("of what was never heard there is no data; what is old says how old once it is unknown", () => {
  assert.equal(values(view(journal(), undefined, [])).battery, "no data");
  assert.equal(values(view(journal(), { rx: 20, t: 20, live: true })).battery, "7.50 V, 11 s old");
});

test("beside what is not met stands the number that says so, though another of the family was never heard", () => {
  const column = number("three", "camera[3].storage_left");
  const tables = [...DICTIONARY.tables, { name: "y", title: "Y", rate_hz: 2, columns: [column] }];
  const store = new Store({ ...DICTIONARY, tables });
  store.update({ rows: { x: [ROW] }, rx_now: 10, t_now: 10 });
  const seen = new View(store, { rx: 10, t: 10, live: true }, {});
  const roles = ["camera[1].storage_left", "camera[2].storage_left", "camera[3].storage_left"];
  const beside = (standing, more) =>
    valueBeside(seen, { state: "open" }, { ...auto("storage", roles), line: line(standing), ...more });
  assert.equal(beside("not met"), "14.00 V");
  assert.equal(beside("unknown"), "no data");
  assert.equal(beside("not met", { flag: 1 }), "no data", "flags are counted only when all are heard");
});

test("a closed sheet shows what was kept, whatever telemetry says now", () => {
  const closed = entry(3, 5, "pad_sheet", "sheet", { state: "closed", round: 1, why: "" });
  assert.equal(
    values(view(journal(entry(2, 4, "pad_sheet", "item battery", line("met", { value: "8 V" })), closed))).battery,
    "8 V",
  );
});

test("at an earlier cursor the sheet is what it was then", () => {
  const entries = journal(
    entry(2, 4, "pad_sheet", "item key", line("met", { by: "Ada 1" })),
    entry(3, 6, "pad_sheet", "item key", line("open")),
  );
  const seen = view(entries);
  const by = (rx) => sheetAt(seen.store.journal, rx).lines[7].standing;
  assert.deepEqual([by(3), by(5), by(7)], ["open", "met", "open"]);
  assert.equal(by(0.5), "open", "before the first note nobody has ticked anything");
  assert.equal(sheetAt(view([]).store.journal), null, "a session without one");
});

test("the last lift-off is where the sheet of a session is taken, without one its end", () => {
  const states = (...all) =>
    view(journal(...all.map(([rx, state], i) => entry(10 + i, rx, "pad_sheet", "sheet", { state, round: 1, why: "" }))))
      .store.journal;
  assert.equal(closedAt(states([5, "closed"], [7, "open"], [9, "closed"], [11, "open"])), 9);
  assert.equal(closedAt(states()), Infinity);
});

test("the whole sheet in one line, and the worst of it gives the look", () => {
  const lines = ["met", "not met", "unknown", "open", "open"].map((standing) => ({ standing }));
  assert.equal(summaryOf(lines), "1 not met, 1 unknown, 2 open of 5");
  assert.equal(summaryOf([{ standing: "met" }]), "All 1 items met");
  assert.deepEqual([lines, lines.slice(2), lines.slice(3), lines.slice(0, 1)].map(toneOf), [
    "warning",
    "unknown",
    "none",
    "good",
  ]);
});

test("a line that says nothing known is unknown or open, never met", () => {
  const seen = view(
    journal(
      entry(2, 4, "pad_sheet", "item battery", { standing: "go" }),
      entry(3, 4, "pad_sheet", "item key", { standing: "constructor" }),
    ),
  );
  assert.deepEqual(
    sheetAt(seen.store.journal)
      .lines.map(({ standing }) => standing)
      .slice(0, 1),
    ["unknown"],
  );
  assert.equal(sheetAt(seen.store.journal).lines[7].standing, "open");
});

test("a recording may hold anything in place of a sheet", () => {
  const odd = (body) =>
    sheetAt(view([entry(0, 1, "pad_sheet", "definition", body), entry(1, 1, "pad_sheet", "sheet", {})]).store.journal);
  assert.equal(odd({}), null);
  assert.equal(odd({ groups: 3 }), null);
  assert.deepEqual(
    odd({
      groups: [null, 1, { items: 2 }, { items: [null, {}, { name: "x" }, { name: "y", roles: [], automatic: true }] }],
    }).lines,
    [],
  );
});

test("a tick in words: who, with which number, and what became of it", () => {
  assert.match(
    tickWords(line("not met", { by: "Ada 1", value: "9.5 m/s", at: "2026-06-15T15:00:00Z" })),
    /^NOT met: 9\.5 m\/s, Ada 1, \d\d:\d\d$/,
  );
  assert.match(
    tickWords(line("met", { by: "Ada 1", value: "", at: "2026-06-15T15:00:00Z" })),
    /^ticked by Ada 1, \d\d:\d\d$/,
  );
  assert.equal(
    tickWords(line("open", { cleared: "was ticked by Ada 1; cleared: the vehicle restarted", value: "" })),
    "open \u2014 was ticked by Ada 1; cleared: the vehicle restarted",
  );
  assert.equal(tickWords(line("open", { value: "" })), "open");
});

test("units are written as people do", () => {
  assert.deepEqual(["1.2 deg", "5 deg/s", "20 degC", "at most 1 m/s2", "3 degrees"].map(plain), [
    "1.2\u00b0",
    "5 \u00b0/s",
    "20 \u00b0C",
    "at most 1 m/s\u00b2",
    "3\u00b0",
  ]);
});

test("by exception: what does not stand, the worst first, and apart from it what is for people to do", () => {
  const item = (title, standing, more = {}) => ({ title, automatic: true, line: { standing, ...more } });
  const hand = (title, standing) => ({ title, automatic: false, line: { standing } });
  const groups = [
    { items: [hand("Key out", "open"), item("Wind", "met"), item("Board", "not met", { back: true })] },
    { items: [item("Tilt", "unknown"), item("Battery", "not met"), hand("Chutes", "met")] },
  ];
  const titles = (items) => items.map(({ title }) => title);
  assert.deepEqual(titles(exceptionsOf(groups)), ["Battery", "Tilt", "Board"]);
  assert.deepEqual(titles(handsOf(groups)), ["Key out", "Chutes"]);
  const lines = groups.flatMap(({ items }) => items.map(({ line: one }) => one));
  assert.equal(standsWords(lines), "2 of 6 stand, 1 NOT met, 1 unknown, 1 coming back \u2013 1 for you");
  assert.equal(standsWords([{ standing: "met" }, { standing: "met" }]), "All 2 stand");
  assert.equal(toneNow(lines), "warning");
  assert.equal(toneNow([{ standing: "not met", back: true }]), "unknown", "what comes back is looked at, not acted on");
  assert.equal(toneNow([{ standing: "met" }, { standing: "open" }]), "none");
});

test("a value within its bounds again is not said to be NOT met while the station waits whether it lasts", () => {
  const lost = (item, standing = "not met") => {
    const shown = journal(entry(2, 2, "pad_sheet", "item battery", line(standing)));
    shown[0].body.groups = [{ title: "G", items: [{ ...ITEMS[0], ...item }] }];
    return sheetNow(view(shown)).lines[0]; // 7.5 V is heard
  };
  assert.ok(lost({ operand: 7 }).back);
  assert.match(standingWords(lost({ operand: 7 })), /^met now, counts after 2 s/);
  assert.equal(lost({ operand: 7.6 }).back, undefined);
  assert.ok(
    lost({ comparison: "at_most", operand: 8 }).back && lost({ comparison: "equals", operand: 7, within: 0.5 }).back,
  );
  assert.equal(lost({ comparison: "equals", operand: 7, within: 0.4 }).back, undefined);
  assert.ok(lost({ comparison: "one_of", operand: [7.5, 9] }).back);
  assert.equal(lost({}).back, undefined, "a recording whose sheet does not tell its bound");
  assert.equal(lost({ operand: 7 }, "met").back, undefined);
  const quiet = journal(entry(2, 2, "pad_sheet", "item recovery", line("not met")));
  quiet[0].body.groups = [{ title: "G", items: [{ ...ITEMS[3], operand: 1 }] }];
  assert.equal(sheetNow(view(quiet)).lines[0].back, undefined, "one of two is not both");
});
