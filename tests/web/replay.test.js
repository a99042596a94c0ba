import assert from "node:assert/strict";
import { test } from "node:test";

import { flightRange, Replay } from "../../web/session/replay.js";
import { ReplayClock, SPEEDS } from "../../web/session/replay_clock.js";
import { Store } from "../../web/session/store.js";
import { Timebase } from "../../web/session/timebase.js";
import { DICTIONARY, entry } from "./make.js";

test("playing moves by speed and direction, and a change of speed does not jump", () => {
  const clock = new ReplayClock(0, 100, 10);
  clock.play(1000);
  assert.equal(clock.at(1002), 12);
  clock.setSpeed(0.1, 1002);
  assert.ok(Math.abs(clock.at(1012) - 13) < 1e-9);
  clock.setSpeed(20, 1012);
  assert.ok(Math.abs(clock.at(1013) - 33) < 1e-9);
  clock.play(1013, -1);
  assert.ok(Math.abs(clock.at(1014) - 13) < 1e-9);
});

test("it stops at the end, and play begins again from the start", () => {
  const clock = new ReplayClock(5, 8, 5);
  clock.play(0);
  assert.equal(clock.tick(50), 8);
  assert.equal(clock.playing, false);
  clock.toggle(60);
  assert.equal(clock.at(61), 6);
});

test("L plays and then doubles through the speeds, J turns round at once", () => {
  const clock = new ReplayClock(0, 1000, 500);
  clock.shuttle(1, 0);
  assert.deepEqual([clock.playing, clock.speed], [true, 1]);
  clock.shuttle(1, 0);
  assert.equal(clock.speed, 2);
  for (let i = 0; i < 10; i++) clock.shuttle(1, 0);
  assert.equal(clock.speed, SPEEDS[SPEEDS.length - 1]);
  clock.shuttle(-1, 0);
  assert.equal(clock.direction, -1);
});

test("seeking is clamped to the session", () => {
  const clock = new ReplayClock(0, 10);
  clock.seek(99, 0);
  assert.equal(clock.at(0), 10);
  clock.seek(-5, 0);
  assert.equal(clock.at(0), 0);
});

function flown() {
  const store = new Store(DICTIONARY);
  const nav = [
    [0, 5, 0, 0, ""],
    [1, 6, 1, 0, ""],
    [3, 8.5, 3, 0, ""],
    [2, 8.6, 2, 0, ""],
    [4, 9, 4, 1, ""],
  ];
  store.update({
    from: { nav: 0 },
    rows: { nav },
    journal: [entry(0, 7, "moment", "lift_off", { t: 3.5 }), entry(1, 9.5, "recording", "file", { state: "closed" })],
  });
  store.tRange = [0, 4];
  store.rxRange = [0, 10];
  return store;
}

test("timeline and arrival time map onto each other, a late packet does not turn the clock back", () => {
  const base = new Timebase(flown());
  assert.equal(base.rxAt(0.5), 5.5);
  assert.equal(base.tAt(5.5), 0.5);
  assert.equal(base.tAt(8.55), 3);
  assert.equal(base.rxAt(4), 10, "the end of the timeline shows everything that was recorded");
  assert.equal(base.tAt(10), 4);
  for (let rx = 5, last = 0; rx <= 10; rx += 0.1) {
    const t = base.tAt(rx);
    assert.ok(t >= last);
    last = t;
  }
});

test("a replay begins just before lift-off and steps packet by packet, forwards and back", () => {
  const replay = new Replay(flown(), { name: "x" });
  assert.equal(replay.cursor(0).t, 0.5);
  const visited = [];
  for (let i = 0; i < 6; i++) {
    replay.act("step", 1, 0);
    visited.push(replay.cursor(0).rx);
  }
  assert.deepEqual(
    visited,
    [6, 8.5, 8.6, 9, 10, 10].map((rx, i) => (i >= 4 ? visited[3] : rx)),
  );
  replay.act("step", -1, 0);
  assert.equal(replay.cursor(0).rx, 8.6);
  replay.act("step", -1, 0);
  assert.equal(replay.cursor(0).rx, 8.5);
});

test("the track of an hour on the pad shows the flight, that of a short session everything", () => {
  const store = new Store(DICTIONARY);
  store.tRange = [0, 3600];
  assert.equal(flightRange(store), undefined);
  store.journal.add([
    entry(0, 3000, "moment", "lift_off", { t: 3000 }),
    entry(1, 3070, "moment", "landing", { t: 3070 }),
  ]);
  assert.deepEqual(flightRange(store), [2980, 3090]);
  store.tRange = [2950, 3100];
  assert.equal(flightRange(store), undefined);
});

test("a loop plays its stretch over and over, at any speed, and ends when told", () => {
  const clock = new ReplayClock(0, 100, 10);
  clock.setLoop([10, 12], 0);
  clock.play(0);
  assert.equal(clock.at(1.5), 11.5);
  assert.ok(Math.abs(clock.at(2.5) - 10.5) < 1e-9);
  assert.ok(Math.abs(clock.at(7) - 11) < 1e-9);
  clock.setSpeed(0.5, 7);
  assert.ok(Math.abs(clock.at(9.5) - 10.25) < 1e-9);
  clock.setLoop(null, 9.5);
  assert.ok(Math.abs(clock.at(19.5) - 15.25) < 1e-9);
  clock.setLoop([20, 20.05], 20);
  assert.equal(clock.loop, null);
  const beyond = new ReplayClock(0, 100, 50);
  beyond.setLoop([10, 12], 0);
  beyond.play(0);
  assert.equal(beyond.at(5), 55);
});

test("packets that arrived together are stepped through one by one, and the clock tells each one's own time", () => {
  const store = new Store(DICTIONARY);
  const rows = [
    [1, 6, 1, 0, ""],
    [1.05, 6.2, 1, 0, ""],
    [1.1, 6.2, 1, 0, ""],
    [1.15, 6.4, 1, 0, ""],
  ];
  store.update({ from: { nav: 0 }, rows: { nav: rows } });
  store.tRange = [0, 2];
  store.rxRange = [0, 10];
  const replay = new Replay(store, { name: "x" });
  const seen = [];
  for (const direction of [1, 1, 1, 1, -1, -1, -1]) {
    replay.act("step", direction, 0);
    const { t, rx, packet } = replay.cursor(0);
    assert.equal(packet.t, t);
    seen.push([t, rx]);
  }
  const there = [
    [1, 6],
    [1.05, 6.2],
    [1.1, 6.2],
    [1.15, 6.4],
  ];
  assert.deepEqual(seen, [...there, there[2], there[1], there[0]]);
});

test("a finding leads to the very packet of its moment, and to the one that holds no number", () => {
  const store = flown();
  const replay = new Replay(store, { name: "x" });
  replay.act("look", { t: 3, key: "bad_number" }, 0);
  const { rx, t, packet } = replay.cursor(0);
  assert.deepEqual([rx, t, packet.table, packet.row], [8.5, 3, "nav", 2]);
  assert.equal(replay.focus.key, "bad_number");
  replay.act("seek", 3.2, 0);
  assert.equal(replay.cursor(0).packet, undefined);
  replay.act("look", { t: 3.5, key: "lean" }, 0);
  assert.equal(replay.cursor(0).t, 3.5, "a moment between packets is not moved to one");
  store.tables.get("nav").columns[0][1] = NaN;
  store.tables.get("nav").t[1] = 3;
  assert.equal(store.packetNear(3).row, 1, "of two at one time the one that holds no number");
});
