import assert from "node:assert/strict";
import { test } from "node:test";

import { Ears } from "../../web/ears/ears.js";
import { Journal } from "../../web/session/journal.js";
import { isRehearsalBuild, rehearsalOf } from "../../web/session/rehearsal.js";
import { bindRoles } from "../../web/session/roles.js";
import { Table } from "../../web/session/table.js";

const column = (name, role, values) => ({ name, role, kind: "enum", values });
const META = [
  { name: "rehearsal", columns: [column("state", "rehearsal.state", ["off", "rehearsing"])] },
  { name: "identity", columns: [column("build", "identity.build", ["flight", "rehearsal"])] },
];

/** A session in which these were heard, as [table, rx, number]. */
function session(heard, rehearsal = "") {
  const dictionary = { tables: META, rehearsal };
  const tables = new Map(META.map((meta) => [meta.name, new Table(meta)]));
  for (const [name, rx, value] of heard) tables.get(name).append(tables.get(name).next, [[rx, rx, value]]);
  return { dictionary, tables, roles: bindRoles(dictionary), journal: new Journal() };
}

test("a rehearsal is one while the vehicle says so, and a recording of one from end to end", () => {
  const heard = session([
    ["rehearsal", 1, 0],
    ["rehearsal", 5, 1],
    ["rehearsal", 9, 0],
  ]);
  assert.deepEqual(
    [0.5, 1, 4.9, 5, 8.9, 9].map((rx) => rehearsalOf(heard, rx)),
    ["", "", "", "under way", "under way", ""],
  );
  assert.equal(rehearsalOf(session([]), 5), "");
  assert.equal(rehearsalOf(null), "");
  assert.equal(rehearsalOf(session([], "calm, seed 2"), 0), "calm, seed 2");
  assert.equal(rehearsalOf({ dictionary: { tables: [] }, tables: new Map(), roles: new Map() }), "");
});

test("a build for rehearsal is known by what it said last of itself", () => {
  const heard = session([
    ["identity", 1, 1],
    ["identity", 7, 0],
  ]);
  assert.deepEqual(
    [0, 2, 8].map((rx) => isRehearsalBuild(heard, rx)),
    [false, true, false],
  );
});

function world() {
  return {
    localStorage: { getItem: () => "on", setItem() {} },
    document: { addEventListener() {}, title: "" },
    navigator: {},
  };
}

/** Ears whose mouth keeps what it is asked to say. */
function listening() {
  const ears = new Ears(world(), () => {});
  const said = [];
  ears.mouth.tone = () => {};
  ears.mouth.speak = (words, ended) => {
    said.push(words);
    ended();
  };
  return { ears, said };
}
const landing = (i, rx) => ({ i, rx, t: rx, topic: "moment", key: "landing", severity: "info", text: "x", body: {} });

test("what is spoken of a rehearsal begins with that word, each time, and says at its beginning what it is", () => {
  const heard = session([["rehearsal", 1, 0]]);
  const { ears, said } = listening();
  ears.live(heard, 1);
  heard.tables.get("rehearsal").append(1, [[5, 5, 1]]);
  ears.live(heard, 5);
  heard.journal.add([landing(0, 6)]);
  ears.live(heard, 6);
  assert.deepEqual(said, ["rehearsal: on the bench, nothing of this flies", "rehearsal: it has landed"]);
  heard.tables.get("rehearsal").append(2, [[7, 7, 0]]);
  heard.journal.add([{ ...landing(1, 8), key: "separation", body: { on: true } }]);
  ears.live(heard, 8);
  assert.equal(said.at(-1), "separated");
});

test("a recording of a rehearsal is spoken of as one, another as a replay", () => {
  for (const [rehearsal, word] of [
    ["calm, seed 2", "rehearsal"],
    ["", "replay"],
  ]) {
    const { ears, said } = listening();
    const store = session([], rehearsal);
    store.journal.add([landing(0, 6)]);
    ears.replay(store, 5.5, true);
    ears.replay(store, 6.1, true);
    assert.ok(said.length > 0 && said.every((words) => words.startsWith(`${word}: `)), said.join());
    assert.equal(said.at(-1), `${word}: it has landed`);
  }
});
