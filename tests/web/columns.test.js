import assert from "node:assert/strict";
import { test } from "node:test";

import { parseColumns } from "../../web/session/columns.js";
import { columnsBuffer } from "./make.js";

const TABLES = {
  nav: { t: [0, 1, 2], rx: [0.5, 1.5, 2.5], up: [NaN, Infinity, -Infinity] },
  more: { t: [7], rx: [8], x: [-0] },
};

test("columns come out bit for bit, non-finite ones included", () => {
  const { header, tables } = parseColumns(columnsBuffer("s\u00e9ance", TABLES));
  assert.equal(header.session, "s\u00e9ance");
  assert.deepEqual([...tables.keys()], ["nav", "more"]);
  assert.deepEqual([...tables.get("nav").arrays.up], [NaN, Infinity, -Infinity]);
  assert.deepEqual([...tables.get("nav").arrays.rx], [0.5, 1.5, 2.5]);
  assert.ok(Object.is(tables.get("more").arrays.x[0], -0));
});

test("the arrays share the answer's memory, nothing is copied", () => {
  const buffer = columnsBuffer("s", TABLES);
  assert.equal(parseColumns(buffer).tables.get("nav").arrays.t.buffer, buffer);
});

test("a foreign or cut answer is refused with a sentence at every length", () => {
  assert.throws(() => parseColumns(new TextEncoder().encode("<!doctype html>").buffer), /not a set of columns/);
  const whole = columnsBuffer("s", TABLES);
  for (let length = 0; length < whole.byteLength; length++)
    assert.throws(() => parseColumns(whole.slice(0, length)), /columns/);
});
