// When the page draws: once for all that changed since, and not at all while nothing changes.

import assert from "node:assert/strict";
import { test } from "node:test";

import { onFrames } from "../../web/kit/frames.js";

/** A browser's frames by hand: `next` is one of them; `asked` is what waits for it. */
function frames() {
  const asked = [];
  const next = () => {
    for (const turn of asked.splice(0)) turn();
  };
  return { asked, ask: (turn) => asked.push(turn), next };
}

test("nothing is asked for before something changed, then one frame for all of it, then nothing again", () => {
  const screen = frames();
  let drawn = 0;
  const changed = onFrames(() => void drawn++, screen.ask);
  assert.equal(screen.asked.length, 0);
  changed();
  changed();
  assert.deepEqual([screen.asked.length, drawn], [1, 0]);
  screen.next();
  assert.deepEqual([screen.asked.length, drawn], [0, 1]);
  changed();
  screen.next();
  assert.deepEqual([screen.asked.length, drawn], [0, 2]);
});

test("what moves on by itself is drawn on every frame until it stands", () => {
  const screen = frames();
  let left = 3;
  const changed = onFrames(() => --left > 0, screen.ask);
  changed();
  for (let frame = 0; frame < 10; frame++) screen.next();
  assert.deepEqual([left, screen.asked.length], [0, 0]);
});

test("what changes while drawing is drawn on the next frame", () => {
  const screen = frames();
  let drawn = 0;
  const changed = onFrames(() => {
    if (++drawn === 1) changed();
  }, screen.ask);
  changed();
  screen.next();
  assert.deepEqual([drawn, screen.asked.length], [1, 1]);
});

test("a drawing that broke is tried again with the next change", () => {
  const screen = frames();
  let tries = 0;
  const changed = onFrames(() => {
    if (++tries === 1) throw new Error("broken");
  }, screen.ask);
  changed();
  assert.throws(screen.next, /broken/);
  assert.equal(screen.asked.length, 0);
  changed();
  screen.next();
  assert.equal(tries, 2);
});
