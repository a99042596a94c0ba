import assert from "node:assert/strict";
import { test } from "node:test";

import { Journal } from "../../web/session/journal.js";
import { entry } from "./make.js";

test("the state of a key is its latest entry at or before the cursor, at every cursor", () => {
  const entries = Array.from({ length: 60 }, (_, i) => entry(i, Math.floor(i / 2), "command", `c${i % 3}`, { n: i }));
  const journal = new Journal();
  journal.add(entries);
  for (let rx = -1; rx < 32; rx += 0.5) {
    for (const key of ["c0", "c1", "c2"]) {
      const expected = entries.filter((one) => one.key === key && one.rx <= rx).pop();
      assert.equal(journal.state("command", key, rx), expected);
    }
  }
  assert.equal(journal.state("command", "c2").body.n, 59);
  assert.equal(journal.state("phase", "ground"), undefined);
});

test("an entry that came twice counts once", () => {
  const journal = new Journal();
  journal.add([entry(0, 0, "mark", "a"), entry(1, 1, "mark", "b")]);
  journal.add([entry(1, 1, "mark", "b"), entry(2, 2, "mark", "c")]);
  assert.equal(journal.entries.length, 3);
  assert.equal(journal.next, 3);
});

test("texts are the newest first, empty ones left out, none after the cursor", () => {
  const journal = new Journal();
  journal.add([
    entry(0, 0, "event", "a", {}, "one"),
    entry(1, 1, "event", "b"),
    entry(2, 2, "event", "c", {}, "two"),
    entry(3, 9, "event", "d", {}, "later"),
  ]);
  assert.deepEqual(
    journal.texts(5).map(({ text }) => text),
    ["two", "one"],
  );
  assert.deepEqual(
    journal.texts(5, 1).map(({ text }) => text),
    ["two"],
  );
  assert.deepEqual(new Journal().texts(), []);
});

test("an entry stamped earlier than its predecessor never hides it from the search", () => {
  const journal = new Journal();
  journal.add([entry(0, 5, "moment", "apogee", { n: 0 }), entry(1, 3, "moment", "apogee", { n: 1 })]);
  assert.equal(journal.state("moment", "apogee", 4), undefined);
  assert.equal(journal.state("moment", "apogee", 5).body.n, 1);
});

test("a text that comes late stands at its moment, as in a replay, at every cursor", () => {
  const entries = [
    entry(0, 1, "event", "a", {}, "one"),
    entry(1, 4, "event", "b", {}, "four"),
    entry(2, 4, "event", "c", {}, "four too"),
    entry(3, 6, "event", "d", {}, "six"),
    entry(4, 4, "finding", "slow", {}, "judged of four"),
    entry(5, 2, "finding", "lean", {}, "judged of two"),
  ];
  const late = new Journal();
  for (const one of entries) late.add([one]);
  const inOrder = new Journal();
  inOrder.add([0, 5, 1, 2, 4, 3].map((n, i) => ({ ...entries[n], i })));
  const said = (journal, rx) => journal.texts(rx).map(({ text }) => text);
  for (let rx = 0; rx < 8; rx += 0.5) assert.deepEqual(said(late, rx), said(inOrder, rx));
  assert.deepEqual(said(late, 4), ["judged of four", "four too", "four", "judged of two", "one"]);
});

test("a long session forgets old texts but never a standing state", () => {
  const journal = new Journal(100);
  journal.add([entry(0, 0, "alarm", "battery", { state: "raised" }, "battery low", "warning")]);
  for (let i = 1; i < 1000; i++) journal.add([entry(i, i, "event", "e", {}, `e${i}`)]);
  assert.ok(journal.entries.length <= 101);
  assert.equal(journal.state("alarm", "battery").text, "battery low");
  assert.equal(journal.texts(Infinity, 1)[0].text, "e999");
  assert.equal(journal.next, 1000);
});

test("a long session stays bounded though every event and every command has a key of its own", () => {
  const journal = new Journal(100);
  journal.add([entry(0, 0, "alarm", "battery", { state: "raised" }, "battery low", "warning")]);
  for (let i = 1; i < 3000; i++) {
    journal.add([entry(i, i, i % 3 ? "event" : "command", `k${i}`, {}, `e${i}`)]);
    assert.ok(journal.entries.length <= 101, `${journal.entries.length} after ${i}`);
  }
  assert.equal(journal.state("alarm", "battery").text, "battery low");
  assert.ok(journal.states("command").length > 25 && journal.states("command").at(-1).key === "k2997");
  const order = journal.entries.map(({ i }) => i);
  assert.deepEqual(
    order,
    [...order].sort((a, b) => a - b),
  );
});

test("a moment or a figure that was taken back is no state, until it is told anew", () => {
  const journal = new Journal();
  journal.add([
    entry(0, 1, "moment", "apogee", { t: 1 }, "apogee 532.0 m"),
    entry(1, 2, "figure", "apogee", { t: 1 }),
    entry(2, 3, "moment", "apogee", { t: 1, withdrawn: true }, "taken back: apogee 532.0 m"),
    entry(3, 3, "figure", "apogee", { withdrawn: true }),
    entry(4, 9, "moment", "apogee", { t: 8 }, "apogee 3468.0 m"),
  ]);
  assert.equal(journal.state("moment", "apogee", 2).body.t, 1);
  assert.equal(journal.state("moment", "apogee", 4), undefined);
  assert.deepEqual(journal.states("moment", 4), []);
  assert.deepEqual(journal.states("figure"), []);
  assert.equal(journal.state("moment", "apogee").body.t, 8);
  assert.equal(journal.texts().length, 3);
});
