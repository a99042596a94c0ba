// Alarms on the page: the same order and the same acknowledgments as server/analysis/alarms.py, quiet once seen, listed
// while they last.

import assert from "node:assert/strict";
import { test } from "node:test";
import { sinceWords, valuesNow, whyNotHere } from "../../web/frame/alarm_list.js";
import { meaning } from "../../web/kit/keys.js";
import { connectorWords } from "../../web/kit/servo_cable.js";
import { alarmWords, standing, unseen } from "../../web/session/alarms.js";
import { mayAsk } from "../../web/session/messages.js";
import { Store } from "../../web/session/store.js";
import { View } from "../../web/session/view.js";
import { entry } from "./make.js";

const raise = (i, rx, key, severity = "caution", body = {}) =>
  entry(i, rx, "alarm", key, { state: "raised", ...body }, `${key} is wrong`, severity);
const clear = (i, rx, key) => entry(i, rx, "alarm", key, { state: "cleared" });
const seen = (i, rx, key, raised_rx) => entry(i, rx, "acknowledged", key, { operator: "Ada 1", raised_rx });

const DICTIONARY = {
  name: "made",
  vehicle: "Made",
  commands: [],
  tables: [
    {
      name: "fins",
      title: "Fins",
      rate_hz: 20,
      columns: [
        { name: "volts", channel: "fins.volts", kind: "number", unit: "V", role: "servo_bus.voltage" },
        { name: "age", channel: "fins.age", kind: "number", unit: "s", role: "servo_bus.frame_age" },
      ],
    },
  ],
};

function view(journal, { rx = 20, live = true } = {}) {
  const store = new Store(DICTIONARY);
  store.update({ from: { fins: 0 }, rows: { fins: [[19, 19, 0.02, 12.3]] }, journal, rx_now: 20, t_now: 20 });
  return new View(store, { rx, t: rx, live }, { replay: null, silentSince: null });
}

const listed = (shown) => shown.alarms().map(({ key, acknowledged }) => [key, acknowledged !== null]);

test("warnings first, of each the unseen first, then the newest", () => {
  const journal = [
    raise(0, 1, "a"),
    raise(1, 2, "b", "warning"),
    raise(2, 3, "c"),
    raise(3, 4, "d", "warning"),
    raise(4, 5, "e"),
    seen(5, 6, "d", 4),
    seen(6, 7, "e", 5),
  ];
  assert.deepEqual(listed(view(journal)), [
    ["b", false],
    ["d", true],
    ["c", false],
    ["a", false],
    ["e", true],
  ]);
});

test("a new raise and a rise to a warning are unseen again, also when the acknowledgment arrives after them", () => {
  assert.deepEqual(listed(view([raise(0, 1, "a"), seen(1, 2, "a", 1)])), [["a", true]]);
  assert.deepEqual(listed(view([raise(0, 1, "a"), seen(1, 2, "a", 1), clear(2, 3, "a")])), []);
  assert.deepEqual(listed(view([raise(0, 1, "a"), seen(1, 2, "a", 1), clear(2, 3, "a"), raise(3, 4, "a")])), [
    ["a", false],
  ]);
  assert.deepEqual(listed(view([raise(0, 1, "a"), raise(1, 2, "a", "warning"), seen(2, 3, "a", 1)])), [["a", false]]);
});

test("a replay shows it as it was at the cursor", () => {
  const journal = [raise(0, 1, "a"), seen(1, 5, "a", 1)];
  assert.deepEqual(listed(view(journal, { rx: 4, live: false })), [["a", false]]);
  assert.deepEqual(listed(view(journal, { rx: 6, live: false })), [["a", true]]);
});

test("the status line is quiet once all are seen, and speaks of what is not", () => {
  const of = (...journal) => alarmWords(view(journal).alarms());
  assert.deepEqual(of(), { count: "None", words: "", tone: "none" });
  assert.deepEqual(of(raise(0, 1, "a")), { count: "1", words: "a is wrong", tone: "caution" });
  assert.deepEqual(of(raise(0, 1, "a", "warning"), seen(1, 2, "a", 1)), {
    count: "1",
    words: "seen: a is wrong",
    tone: "none",
  });
  assert.deepEqual(of(raise(0, 1, "a", "warning"), raise(1, 2, "b"), seen(2, 3, "a", 1)), {
    count: "2",
    words: "1 not seen: b is wrong",
    tone: "caution",
  });
  assert.equal(unseen(standing([raise(0, 1, "a")], () => undefined)).length, 1);
});

test("each line has its values of the moment and since when it lasts", () => {
  const told = view([
    raise(0, 8, "servo cable", "warning", {
      since_t: 8,
      roles: ["servo_bus.voltage", "servo_bus.frame_age", "not.there"],
    }),
    raise(1, 9, "limit", "caution", { channel: "fins.volts" }),
  ]);
  const [cable, limit] = told.alarms();
  assert.match(valuesNow(told, cable), /^0\.02\d* V, 12\.3\d* s$/);
  assert.match(valuesNow(told, limit), /^0\.02\d* V$/);
  assert.equal(valuesNow(told, raise(2, 1, "phase")), "");
  assert.equal(sinceWords(told, cable), "for 0:12");
  const flown = view([entry(0, 5, "moment", "lift_off", { t: 5 }), raise(1, 8, "a", "caution", { since_t: 8 })]);
  assert.equal(sinceWords(flown, flown.alarms()[0]), "since T+00:03.0, for 0:12");
});

test("viewers and replays acknowledge nothing, and are told why", () => {
  assert.equal(whyNotHere({ desk: { open: true }, replay: null }), "");
  assert.match(whyNotHere({ desk: null, replay: null }), /only watches/);
  assert.match(whyNotHere({ desk: { open: false }, replay: null }), /not connected/);
  assert.match(whyNotHere({ desk: { open: true }, replay: {} }), /Recorded/);
  assert.equal(mayAsk("acknowledge", true), false);
});

test("A shows the alarms and acknowledges, in a replay too, and typing is no key", () => {
  const press = (key, more = {}) => ({ key, shiftKey: key === "A", target: { tagName: "BODY" }, ...more });
  for (const replay of [false, true]) {
    assert.deepEqual(meaning(press("a"), { replay }), ["alarms", "next"]);
    assert.deepEqual(meaning(press("A"), { replay }), ["alarms", "all"]);
    for (const tagName of ["INPUT", "SELECT", "TEXTAREA"])
      assert.equal(meaning(press("a", { target: { tagName, type: "text" } }), { replay }), null);
    for (const held of ["ctrlKey", "metaKey", "altKey"])
      assert.equal(meaning(press("a", { [held]: true }), { replay }), null);
  }
});

test("the servo connector is closed, open too early, open as it should be, or not heard of", () => {
  const cable = (i, rx, open) => entry(i, rx, "cable", "servo", { open, since_t: rx });
  const liftOff = entry(0, 5, "moment", "lift_off", { t: 5 });
  assert.deepEqual(connectorWords(view([])), ["\u2013\u2013", "none"]);
  assert.deepEqual(connectorWords(view([cable(0, 1, false)])), ["closed", "none"]);
  assert.deepEqual(connectorWords(view([cable(0, 8, true), raise(1, 9, "servo cable")])), ["OPEN for 0:12", "caution"]);
  assert.deepEqual(connectorWords(view([liftOff, cable(1, 8, true), raise(2, 9, "servo cable", "warning")])), [
    "OPEN since T+00:03.0",
    "warning",
  ]);
  const told = (kind) =>
    connectorWords(view([liftOff, cable(1, 8, true), entry(2, 9, "figure", "servo_cable", { kind })]));
  assert.deepEqual(told("at deployment"), ["open since T+00:03.0, at deployment", "none"]);
  assert.deepEqual(told("before deployment"), ["open since T+00:03.0, before deployment", "caution"]);
});
