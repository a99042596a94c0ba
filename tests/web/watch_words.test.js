// What Watch says: the numbers that decide, the chutes, and the worst thing now; in silence and after landing too.

import assert from "node:assert/strict";
import { test } from "node:test";

import { withWords } from "../../web/panels/watch/climb_column.js";
import { chutesNow, climbNow, heightNow, phaseNow, timeNow, topNow } from "../../web/panels/watch/now_words.js";
import { pace } from "../../web/panels/watch/pace.js";
import { leanOf } from "../../web/panels/watch/scope_point.js";
import { worstOf } from "../../web/panels/watch/worst_words.js";
import { Store } from "../../web/session/store.js";
import { View } from "../../web/session/view.js";

const column = (name, role, more = {}) => ({ name, channel: `x.${name}`, kind: "number", unit: "m", role, ...more });
const COLUMNS = [
  column("height", "ground.height"),
  column("climb", "ground.climb_rate"),
  column("pressure", "pressure"),
  column("up", "position.up"),
  column("armed", "recovery[1].armed"),
  column("fired", "recovery[1].fired"),
  column("conducts", "recovery[1].continuity", { label: "nose chute" }),
  column("top", "ground.predicted_apogee"),
  column("low", "ground.predicted_apogee_low"),
  column("high", "ground.predicted_apogee_high"),
  column("in", "ground.predicted_apogee_in"),
];
const ROW = {
  height: 100,
  climb: 20,
  pressure: 9e4,
  up: 100.2,
  armed: 1,
  fired: 0,
  conducts: 1,
  top: 110,
  low: 106,
  high: 114,
  in: 0.9,
};

/** A view of one row heard `age` s ago, with journal entries [topic, key, body, more]. */
function viewOf(values = {}, entries = [], silent_s = 0) {
  const table = { name: "all", title: "All", rate_hz: 10, columns: COLUMNS };
  const store = new Store({ name: "made", vehicle: "Made", commands: [], tables: [table] });
  const row = { ...ROW, ...values };
  store.update({
    from: { all: 0 },
    rows: { all: [[20, 20, ...COLUMNS.map(({ name }) => row[name])]] },
    rx_now: 20,
    t_now: 20,
  });
  store.journal.add(
    entries.map(([topic, key, body, more], i) => ({
      i,
      rx: 10,
      t: 10,
      topic,
      key,
      severity: "info",
      text: "",
      body,
      ...more,
    })),
  );
  const rx = 20 + silent_s;
  return new View(store, { rx, t: rx, live: true }, {});
}
const phase = (name, flying = true) => ["phase", "ground", { phase: name, flying }];
const moment = (key, t, body = {}) => ["moment", key, { t, ...body }, { t }];

const UP = [moment("lift_off", 16), phase("coast")];
const DOWN = [
  moment("lift_off", 6),
  moment("apogee", 14, { height_m: 110.4 }),
  moment("deployment", 14.1, { on: true }),
  phase("descent"),
];
const LYING = [...DOWN.slice(0, 3), moment("landing", 19), phase("landed", false)];

test("in flight each number with its unit, and where the vehicle claims another height by how much", () => {
  assert.deepEqual([heightNow(viewOf({}, UP)).text, heightNow(viewOf({}, UP)).note], ["100", ""]);
  assert.equal(heightNow(viewOf({ up: 97 }, UP)).note, "vehicle says 3 m less");
  assert.equal(climbNow(viewOf({}, UP)).text, "+20.0");
  assert.equal(climbNow(viewOf({ climb: -5.4 }, DOWN)).text, "\u22125.4");
  assert.equal(timeNow(viewOf({}, UP)).text, "T+4.0");
});

test("the top is foretold with its interval, then reached; a stale or past prediction is none", () => {
  assert.deepEqual([topNow(viewOf({}, UP)).text, topNow(viewOf({}, UP)).note], ["~110", "106 to 114 m, in 0.9 s"]);
  assert.deepEqual([topNow(viewOf({}, DOWN)).text, topNow(viewOf({}, DOWN)).note], ["110", "reached at T+8.0 s"]);
  assert.deepEqual(topNow(viewOf({ top: NaN, low: NaN, high: NaN }, UP)).note, "not reached");
  assert.match(topNow(viewOf({}, UP, 9)).note, /^110 m foretold, 9\.0 s ago$/);
  const why = ["prediction", "apogee", { reason: "no burnout seen yet" }];
  assert.equal(topNow(viewOf({ top: NaN }, [...UP, why])).note, "not foretold: no burnout seen yet");
  assert.doesNotMatch(topNow(viewOf({ in: undefined }, UP)).note, /NaN|\u2013/);
});

test("silence makes what can change unknown, and keeps that it landed and that it fired", () => {
  assert.deepEqual(
    [phaseNow(viewOf({}, UP, 9)).text, phaseNow(viewOf({}, UP, 9)).note],
    ["Unknown", "coast, 9.0 s ago"],
  );
  assert.equal(heightNow(viewOf({}, UP, 9)).text, "\u2013\u2013");
  assert.equal(heightNow(viewOf({}, UP, 9)).note, "100, 9.0 s ago");
  assert.deepEqual(
    [phaseNow(viewOf({}, LYING, 9)).text, phaseNow(viewOf({}, LYING, 9)).note],
    ["Landed", "heard 9.0 s ago"],
  );
  const [armed] = chutesNow(viewOf({}, UP, 9));
  assert.deepEqual([armed.word, armed.note, armed.tone], ["unknown", "treat as armed", "stale"]);
  const [fired] = chutesNow(viewOf({ fired: 1, armed: 0, conducts: 0 }, DOWN, 9));
  assert.deepEqual([fired.word, fired.note], ["fired", "heard 9.0 s ago"]);
  const [odd] = chutesNow(viewOf({ fired: 1 }, DOWN, 9));
  assert.deepEqual([odd.word, odd.note], ["fired", "heard 9.0 s ago; treat as armed"]);
});

test("an armed chute is as intended in flight and red on the ground", () => {
  assert.deepEqual(
    chutesNow(viewOf({}, UP)).map(({ name, word, tone }) => [name, word, tone]),
    [["nose chute", "armed", "none"]],
  );
  assert.equal(chutesNow(viewOf({}, LYING))[0].tone, "warning");
});

test("past the limit counts from lift-off to the top only", () => {
  const flying = { flying: true, pastTop: false, landed: false };
  assert.equal(leanOf(68, flying), "past");
  assert.equal(leanOf(12, flying), "within");
  assert.equal(leanOf(90, { ...flying, pastTop: true }), "after");
  assert.equal(leanOf(90, { flying: false, pastTop: false, landed: true }), "after");
  assert.equal(leanOf(90, { flying: false, pastTop: false, landed: false }), "look");
});

test("the worst is an alarm, seen or not; else a silence; else what goes as intended", () => {
  const alarm = (key, severity, text) => ["alarm", key, { state: "raised" }, { severity, text }];
  const both = [...UP, alarm("low", "caution", "battery low"), alarm("bad", "warning", "tilt 68 deg")];
  assert.deepEqual(worstOf(viewOf({}, both)), { words: "Tilt 68\u00b0", tone: "warning", more: 1 });
  const seen = ["acknowledged", "low", { raised_rx: 10, operator: "A" }];
  const one = [...UP, alarm("low", "caution", "battery low"), seen];
  assert.deepEqual(worstOf(viewOf({}, one)), { words: "Battery low (seen)", tone: "caution", more: 0 });
  assert.equal(worstOf(viewOf({}, one, 9)).words, "Battery low (seen), as last heard");
  const lost = alarm(
    "link lost",
    "warning",
    "link lost: a port was lost (read failed). Check the cable; it keeps trying.",
  );
  const now = "Link lost: a port was lost. Check the cable; it keeps trying";
  assert.equal(worstOf(viewOf({}, [...UP, lost], 9)).words, now, "in one breath, and of now");
  assert.deepEqual(worstOf(viewOf({}, UP, 9)), { words: "The vehicle is silent for 9.0 s", tone: "warning", more: 0 });
  assert.match(worstOf(viewOf({}, LYING, 9)).words, /landed before that$/);
  assert.equal(worstOf(viewOf({}, UP)).words, "Coasting");
  assert.equal(worstOf(viewOf({ climb: -5.4 }, DOWN)).words, "Coming down 5.4 m/s, chutes commanded");
  assert.equal(worstOf(viewOf({}, LYING)).words, "Landed 1.0 s ago");
});

test("nothing that it says on any phase is a leave to approach", () => {
  for (const entries of [[phase("pad", false)], UP, DOWN, LYING, []])
    for (const silent of [0, 9]) {
      const said = [
        worstOf(viewOf({}, entries, silent)).words,
        ...chutesNow(viewOf({}, entries, silent)).map(({ word }) => word),
      ];
      assert.doesNotMatch(said.join(" "), /\b(safe|clear|go|disarmed)\b/i);
    }
});

test("a picture is drawn no oftener than its pace, its last change is not missed, and two fall on two frames", () => {
  let now = 1e6; // later than any picture of another test
  let asked = 0;
  let later;
  const made = () =>
    pace(
      () => {
        asked += 1;
      },
      100,
      () => now,
      (call) => {
        later = call;
      },
    );
  const [isDue, isOtherDue] = [made(), made()];
  assert.deepEqual([isDue("a"), isDue("a"), isDue("b")], [true, false, false]);
  assert.equal(isOtherDue("a"), false, "in the same frame");
  now += 100;
  later();
  assert.equal(asked, 1);
  assert.deepEqual([isOtherDue("a"), isDue("b")], [true, false]);
  now += 20;
  assert.deepEqual([isDue("b"), isDue("b")], [true, false]);
});

test("a column too low for all its words keeps those of most weight, in order, and the other rungs as lines", () => {
  const ladder = ["apogee", "gate", "rail", "burnout"].map((id, i) => ({
    id,
    rank: [0, 2, 6, 5][i],
    height: [111, 110, 2, 38][i],
  }));
  const ids = (room) => withWords(ladder, room).map(({ id }) => id);
  assert.deepEqual(ids(200), ["apogee", "gate", "burnout", "rail"]);
  assert.deepEqual(ids(58), ["apogee", "gate"]);
  assert.deepEqual(ids(10), ["apogee"]);
});
