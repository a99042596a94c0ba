import assert from "node:assert/strict";
import { test } from "node:test";

import { Caller } from "../../web/ears/caller.js";
import { callOf } from "../../web/ears/calls.js";
import { countNow, countText, LATE_S, secondsOf, stopsOf } from "../../web/session/count.js";
import { Delay } from "../../web/station/delay.js";

const running = { state: "running", remaining_s: 60, at_rx: 100, next_hold_s: 30, set_s: 60, why: "", by: "Ada 1" };

function view(body, rx, { silence = null, delay_s = 0.1, live = true } = {}) {
  return {
    cursor: { rx, live },
    silence,
    page: { delay_s },
    state: (topic, key) => (topic === "count" && key === "state" && body ? { body } : undefined),
  };
}

test("a count runs by the station's clock and never past its next hold point", () => {
  assert.equal(secondsOf(running, 118.5), 41.5);
  assert.equal(secondsOf(running, 500), 30);
  assert.equal(secondsOf({ ...running, next_hold_s: null }, 163), -3);
  assert.equal(secondsOf({ ...running, state: "held" }, 500), 60);
  assert.equal(secondsOf(running, 99), 60, "a message that came before its moment adds nothing");
});

test("it is written as the station writes it", () => {
  assert.deepEqual([60, 41.2, 0.1, 0, -3.9, Number.NaN].map(countText), [
    "T\u22121:00",
    "T\u22120:42",
    "T\u22120:01",
    "T+0:00",
    "T+0:03",
    "T ?",
  ]);
});

test("without the station, after a restart of the vehicle, or too late no number is known", () => {
  assert.equal(countNow(view(null, 110)), null);
  assert.equal(countNow(view(running, 110)).known, true);
  assert.equal(countNow(view(running, 110, { delay_s: LATE_S })).known, true);
  assert.equal(countNow(view(running, 110, { delay_s: LATE_S + 0.01 })).known, false);
  assert.equal(countNow(view(running, 110, { delay_s: null })).known, false, "not measured is not on time");
  assert.equal(countNow(view({ ...running, state: "set" }, 110, { delay_s: null })).known, true, "nothing moves yet");
  const lost = countNow(view(running, 110, { silence: { who: "station", for_s: 3 } }));
  assert.deepEqual([lost.known, lost.state], [false, "unknown"]);
  assert.equal(countNow(view(running, 110, { silence: { who: "vehicle", for_s: 3 } })).known, true);
  assert.equal(countNow(view({ ...running, state: "unknown" }, 110)).known, false);
  assert.equal(countNow(view(running, 110, { live: false, delay_s: null })).known, true, "a recording is never late");
});

test("what keeps it from running is named", () => {
  const items = [
    { title: "Battery", line: { standing: "not met" } },
    { title: "Spectators", hold_at_s: 30, line: { standing: "open" } },
    { title: "Continuity", hold_at_s: 10, line: { standing: "unknown" } },
    { title: "Key", hold_at_s: null, line: { standing: "open" } },
  ];
  assert.deepEqual(stopsOf(items, 30), { red: ["Battery"], unmet: ["Spectators (T\u22120:30)"] });
  assert.deepEqual(stopsOf(items, 31), { red: ["Battery"], unmet: [] });
});

test("every change and each called second is a call, never 'go', and a second lives half a second", () => {
  const entry = (key, body) => ({ topic: "count", key, rx: 10, text: "", severity: "info", body });
  const said = (event, more) => callOf(entry("state", { event, state: "held", remaining_s: 42, ...more }))?.words;
  assert.equal(said("start", { remaining_s: 90 }), "count runs from 1 minute 30");
  assert.equal(said("hold", { remaining_s: 41.3 }), "hold, the count stands at 42");
  assert.equal(said("hold point"), "hold point, the count stands at 42");
  assert.equal(said("zero"), "zero");
  assert.equal(said("the vehicle restarted", { state: "unknown" }), "count unknown");
  assert.equal(said("lift-off", { state: "flown" }), undefined, "that is a moment of the flight");
  assert.equal(said(""), undefined);
  const ten = callOf(entry("second", { seconds: 10 }));
  assert.deepEqual([ten.words, ten.lives_s, ten.repeats], ["10", 0.5, true]);
  assert.equal(callOf(entry("second", { seconds: 30 })).words, "30 seconds");
  for (const event of ["set", "start", "hold", "hold point", "resume", "recycle", "zero", "the station was restarted"])
    assert.doesNotMatch(said(event), /\b(go|safe|clear)\b/, event);
});

test("the same second of a count that was recycled is said again, and an old one is not", () => {
  const said = [];
  const caller = new Caller({
    tone() {},
    stop() {},
    speak: (words, ended) => {
      said.push(words);
      ended();
    },
  });
  const ten = (rx) => callOf({ topic: "count", key: "second", rx, text: "", body: { seconds: 10 } });
  caller.offer(ten(10), 10);
  caller.offer(ten(30), 30);
  caller.offer(ten(40), 40.6);
  assert.deepEqual(said, ["10", "10"]);
});

test("a page's delay is bounded by the station's own answer, and unknown before it", async () => {
  let now = 100;
  let trip = 0.2;
  const ask = async () => {
    const rx_now = now + 1000 + trip / 2; // the station reads its clock half way
    now += trip;
    return { rx_now };
  };
  const delay = new Delay({ ask, now: () => now, changed() {} });
  delay.message(1100);
  assert.equal(delay.seconds, null);
  await delay.tick(false);
  assert.equal(delay.seconds, null, "nobody looks at a count: nothing is asked");
  await delay.tick(true);
  delay.message(now + 1000 - 0.3); // 0.3 s on its way
  assert.ok(delay.seconds >= 0.3 && delay.seconds <= 0.3 + trip, `${delay.seconds}`);
  now += 6;
  trip = 0.02;
  await delay.tick(true);
  now += 2;
  delay.message(now + 1000 - 0.3);
  assert.ok(Math.abs(delay.seconds - 0.31) < 1e-9, `${delay.seconds}: a shorter trip bounds it closer`);
  delay.forget();
  assert.equal(delay.seconds, null);
});
