import assert from "node:assert/strict";
import { test } from "node:test";
import { Store } from "../../web/session/store.js";
import { Live } from "../../web/station/live.js";
import { DICTIONARY } from "./make.js";

const row = (i) => [i, i, i, 0, ""];
const hello = (nav, session = "s") => ({
  type: "hello",
  session,
  mode: "live",
  rx_now: nav,
  t_now: nav,
  cursor: { nav },
  journal_next: 0,
});
const update = (from, count) => ({
  type: "update",
  rx_now: from + count,
  t_now: from + count,
  from: { nav: from },
  rows: { nav: Array.from({ length: count }, (_, i) => row(from + i)) },
  journal: [],
});

function station() {
  const fetches = [];
  const clock = { now: 0 };
  const live = new Live({
    changed() {},
    trouble() {},
    now: () => clock.now,
    fetch: (_name, options) =>
      new Promise((resolve) =>
        fetches.push((rows) => {
          const store = new Store(DICTIONARY, options);
          if (rows) store.update(update(0, rows));
          resolve(store);
        }),
      ),
  });
  return { live, fetches, clock };
}

const settle = () => new Promise((resolve) => setImmediate(resolve));

test("updates that came during the fetch are neither lost nor doubled", async () => {
  const { live, fetches } = station();
  live.receive(hello(3));
  live.receive(update(3, 2));
  live.receive(update(5, 2));
  fetches[0](5);
  await settle();
  live.receive(update(7, 1));
  const nav = live.store.tables.get("nav");
  assert.deepEqual([...nav.t.subarray(0, nav.n)], [0, 1, 2, 3, 4, 5, 6, 7]);
});

test("a reconnect with the same counters keeps the store, other counters or another session fetch again", async () => {
  const { live, fetches } = station();
  live.receive(hello(2));
  fetches[0](2);
  await settle();
  live.receive(hello(2));
  assert.equal(fetches.length, 1);
  live.receive(hello(5));
  assert.equal(fetches.length, 2);
  live.receive(hello(1, "another"));
  assert.equal(fetches.length, 3);
  fetches[2](1);
  fetches[1](5);
  await settle();
  assert.equal(live.store.session, "another");
});

test("a message that came late makes nothing younger, a new connection begins anew, clocks may drift", () => {
  const { live, clock } = station();
  live.receive(hello(100));
  clock.now = 1;
  live.receive({ type: "beat", rx_now: 101, t_now: 101 });
  clock.now = 9; // five seconds on the way
  live.receive({ type: "beat", rx_now: 104, t_now: 104 });
  assert.ok(Math.abs(live.rxNow - 109) < 0.01);
  clock.now = 10; // the next one came fast
  live.receive({ type: "beat", rx_now: 110.2, t_now: 110 });
  assert.ok(Math.abs(live.rxNow - 110.2) < 0.01);
  for (clock.now = 20; clock.now <= 10000; clock.now += 10)
    live.receive({ type: "beat", rx_now: 100.2 + clock.now * (1 - 1e-4), t_now: 0 });
  clock.now = 10000;
  assert.ok(Math.abs(live.rxNow - (100.2 + 10000 * (1 - 1e-4))) < 0.01, "a slower clock is followed");
  live.receive(hello(50));
  assert.equal(live.rxNow, 50);
});

test("ages grow while the station says nothing", () => {
  const { live, clock } = station();
  live.receive({ type: "beat", rx_now: 100, t_now: 90 });
  clock.now = 3;
  assert.equal(live.rxNow, 103);
});
