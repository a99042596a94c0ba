// The page's rooms: which may import which, as a table; no circle anywhere, and every import is a file.

import assert from "node:assert/strict";
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, posix } from "node:path";
import { test } from "node:test";
import { pathToFileURL } from "node:url";

const WEB = new URL("../../web/", import.meta.url);

/** Each room and the rooms it may import beside itself; the two files at the root are rooms of their own. */
const ROOMS = {
  session: [],
  kit: ["session"],
  station: ["session"],
  desk: ["session", "kit"],
  frame: ["session", "kit", "desk"],
  ears: ["session", "kit", "pictures"],
  pictures: ["session", "kit"],
  strips: ["session", "kit", "pictures"],
  "panels/try": ["session", "kit", "pictures", "strips"],
  "panels/ready": ["session", "kit", "pictures"],
  "panels/watch": ["session", "kit", "pictures", "strips"],
  "panels/find": ["session", "kit", "pictures"],
  "panels/learn": ["session", "kit", "pictures"],
  "places.js": ["kit", "panels/try", "panels/ready", "panels/watch", "panels/find", "panels/learn"],
  "main.js": ["session", "kit", "station", "desk", "frame", "ears", "places.js"],
};

const names = readdirSync(WEB, { recursive: true })
  .map((name) => name.replaceAll("\\", "/"))
  .filter((name) => name.endsWith(".js"))
  .sort();
const roomOf = (name) => (name.includes("/") ? posix.dirname(name) : name);

/** Paths from web/ that a module's source imports. */
function importsOf(name, source) {
  return [...source.matchAll(/^(?:import|export|\})[^"\n]*from "([^"]+)"|\bimport\("([^"]+)"\)/gm)].map(
    ([, fixed, late]) => posix.join(posix.dirname(name), fixed ?? late),
  );
}

/** What a module imports against the table, as sentences. */
function objections(name, source) {
  const mine = roomOf(name);
  return importsOf(name, source)
    .filter((file) => {
      const theirs = roomOf(file);
      return !existsSync(new URL(file, WEB)) || !(mine in ROOMS) || (theirs !== mine && !ROOMS[mine].includes(theirs));
    })
    .map((file) => `${name} imports ${file}`);
}

/** One circle of a graph {node: [nodes]} as its nodes in order, or null. */
function circle(graph) {
  const done = new Set();
  const walk = (node, way) => {
    if (way.includes(node)) return [...way.slice(way.indexOf(node)), node];
    if (done.has(node)) return null;
    for (const next of graph[node] ?? []) {
      const found = walk(next, [...way, node]);
      if (found) return found;
    }
    done.add(node);
    return null;
  };
  for (const node of Object.keys(graph)) {
    const found = walk(node, []);
    if (found) return found;
  }
  return null;
}

const read = (name) => readFileSync(new URL(name, WEB), "utf8");

test("every import is a file that the table of rooms allows", () => {
  assert.ok(names.length > 50);
  assert.deepEqual(
    names.flatMap((name) => objections(name, read(name))),
    [],
  );
});

test("a panel of a place imports no other panel: only places.js knows many", () => {
  const panels = importsOf("places.js", read("places.js")).filter((name) => !name.startsWith("kit/"));
  assert.ok(panels.length > 20);
  assert.deepEqual(
    panels.filter((name) => importsOf(name, read(name)).some((file) => panels.includes(file))),
    [],
  );
});

test("a room in the table has files, and allows nothing that nobody imports", () => {
  const used = Object.fromEntries(Object.keys(ROOMS).map((room) => [room, new Set()]));
  for (const name of names) for (const file of importsOf(name, read(name))) used[roomOf(name)]?.add(roomOf(file));
  for (const [room, allowed] of Object.entries(ROOMS)) {
    assert.ok(
      names.some((name) => roomOf(name) === room),
      room,
    );
    assert.deepEqual(
      allowed.filter((other) => !used[room].has(other)),
      [],
      room,
    );
  }
});

test("a wrong import is seen, also one of a file that is not there", () => {
  for (const [name, source] of [
    ["session/x.js", 'import { h } from "../kit/dom.js";'],
    ["panels/watch/x.js", 'import { TrialPanel } from "../try/trial_panel.js";'],
    ["panels/watch/x.js", 'import {\n  one,\n} from "../../station/api.js";'],
    ["kit/x.js", 'const late = await import("../desk/desk_flow.js");'],
    ["kit/x.js", 'import { h } from "./doom.js";'],
    ["elsewhere/x.js", 'import { h } from "../kit/dom.js";'],
  ])
    assert.equal(objections(name, source).length, 1, source);
  assert.deepEqual(objections("panels/watch/x.js", 'import { h } from "../../kit/dom.js";'), []);
});

test("neither rooms nor files import each other in a circle", () => {
  assert.deepEqual(circle({ a: ["b"], b: ["c"], c: ["b"] }), ["b", "c", "b"]);
  assert.equal(circle({ a: ["b", "c"], b: ["c"], c: [] }), null);
  assert.equal(circle(ROOMS), null);
  assert.equal(circle(Object.fromEntries(names.map((name) => [name, importsOf(name, read(name))]))), null);
});

test("every name that is imported is exported, and main.js leads to every file", async () => {
  // Names are joined before anything runs; main.js then needs a document, which is not here.
  await assert.rejects(import(new URL("main.js", WEB)), { name: "ReferenceError" });
  const reached = new Set();
  const walk = (name) => {
    if (reached.has(name)) return;
    reached.add(name);
    importsOf(name, read(name)).forEach(walk);
  };
  walk("main.js");
  assert.deepEqual([...reached].sort(), names);
});

test("a name that is not exported would be seen", async () => {
  const folder = mkdtempSync(join(tmpdir(), "page-"));
  const file = join(folder, "wrong.mjs");
  writeFileSync(file, `import { hh } from "${new URL("kit/dom.js", WEB)}";\nhh("p");\n`);
  await assert.rejects(import(pathToFileURL(file)), { name: "SyntaxError" });
  rmSync(folder, { recursive: true });
});
