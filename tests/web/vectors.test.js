// What station and page both work out: the cases that the station's side made (`python -m tests.vectors`), run by the
// page.

import assert from "node:assert/strict";
import { test } from "node:test";

import { complaint, toSi } from "../../web/desk/arguments.js";
import { confirmWindow } from "../../web/kit/confirm_window.js";
import { limitState } from "../../web/kit/format.js";
import { ADVICE, plain, STANDINGS, summaryOf, valueBeside } from "../../web/panels/ready/pad_state.js";
import { chargeToSpend, padCost } from "../../web/panels/ready/pad_time.js";
import { COMMAND_STATES, parseNumber, STEPS } from "../../web/session/messages.js";
import { Store } from "../../web/session/store.js";
import { View } from "../../web/session/view.js";
import { DICTIONARY } from "./make.js";
import { close, vectors, viewOf } from "./vectors.js";

test("the same alarms stand in the same order, acknowledged by the same entries", () => {
  for (const { entries, standing, warnings } of vectors("alarms")) {
    const store = new Store(DICTIONARY);
    store.update({ journal: entries });
    const view = new View(store, { rx: Infinity, t: 0, live: true }, {});
    const seen = view.alarms();
    assert.deepEqual(
      seen.map(({ key, rx, acknowledged }) => ({ key, rx, acknowledged_rx: acknowledged?.rx ?? null })),
      standing,
    );
    const item = { automatic: true, roles: ["ground.warnings"], line: { standing: "met", value: "" } };
    assert.equal(valueBeside(view, { state: "open" }, item), String(warnings));
  }
});

test("what is typed is the same in SI, and is sent only when the station would take it", () => {
  const cases = vectors("arguments");
  assert.ok(cases.some(({ allowed }) => allowed) && cases.some(({ allowed }) => !allowed));
  for (const { arg, typed, si, allowed } of cases) {
    const value = toSi(arg, String(typed));
    assert.ok(close(value, si), `${arg.name} ${typed}`);
    assert.equal(complaint(arg, value) === "", allowed, `${arg.name} ${typed}`);
  }
});

test("every state of a command has its look, what has ended is final, the steps are the station's", () => {
  const { states, ended, steps } = vectors("commands");
  assert.deepEqual(Object.keys(COMMAND_STATES).sort(), Object.keys(states).sort());
  for (const state of ended) assert.ok(COMMAND_STATES[state].final, state);
  assert.deepEqual(STEPS, steps);
});

test("a number is beyond the same limit, and what is no number is within none", () => {
  for (const { limits, value, level } of vectors("limits"))
    assert.equal(limitState({ limits }, parseNumber(value)), level, String(value));
});

test("the second act is possible exactly while the station takes it", () => {
  for (const { rx, gate, ...ready } of vectors("second_act")) assert.equal(confirmWindow(ready, rx), gate, String(rx));
});

test("pad minutes with and without cameras, and what these cost", () => {
  for (const { sheet, used_c, other_a, cameras_a, minutes_on, minutes_off } of vectors("pad_minutes")) {
    const cost = padCost(chargeToSpend(sheet, used_c), other_a + cameras_a, cameras_a);
    if (minutes_off === null) assert.equal(cost, undefined);
    else {
      // The current of the rest is a difference of two measured ones here: it is good to a rounding of their sum.
      const slack = 1e-9 * Math.max(1, minutes_off);
      assert.ok(Math.abs(cost.now - minutes_on) <= slack && Math.abs(cost.without - minutes_off) <= slack);
      assert.ok(Math.abs(cost.cost - (minutes_off - minutes_on)) <= 2 * slack);
    }
  }
});

const PAD = vectors("pad");

test("the pad sheet has the station's words", () => {
  assert.equal(ADVICE, PAD.advice);
  assert.deepEqual(Object.keys(STANDINGS).sort(), [...PAD.standings].sort());
  for (const { standings, text } of PAD.summaries) {
    const said = summaryOf(standings.map((standing) => ({ standing })));
    assert.equal(said, text[0].toUpperCase() + text.slice(1));
  }
});

test("two inertial units lie as far apart as the station says, in the same words", () => {
  for (const { role, values, text } of PAD.apart) {
    const item = { automatic: true, roles: [role], line: { standing: "met", value: "" } };
    assert.equal(valueBeside(viewOf(values), { state: "open" }, item), plain(text));
  }
});

test("a value is old for the page when it no longer counts for the station", () => {
  const stale = (age) => viewOf({ "battery.voltage": 7.4 }, age).sample("battery.voltage").stale;
  assert.deepEqual([stale(PAD.fresh_s - 0.01), stale(PAD.fresh_s + 0.01)], [false, true]);
});
