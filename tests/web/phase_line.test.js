// The line of phases: where each begins and ends, control beneath, words only where they have room.

import assert from "node:assert/strict";
import { test } from "node:test";
import { phaseLine, phaseWords } from "../../web/pictures/phase_line.js";

const FLOWN = { lift_off: 0, burnout: 1.5, apogee: 8 };

test("phases follow each other, and the last one ends now", () => {
  const line = phaseLine({ moments: FLOWN, control: [[2.2, 6.5]], chute: [[8.1, undefined]], now: 9 }, 1000);
  assert.equal(line.span, 10);
  assert.deepEqual(
    line.phases.map(({ name, x1, x2 }) => [name, x1, x2]),
    [
      ["boost", 0, 150],
      ["coast", 150, 800],
      ["descent", 800, 900],
    ],
  );
  assert.deepEqual(
    line.control.map(({ x1, x2 }) => [Math.round(x1), x2]),
    [[220, 650]],
  );
  assert.deepEqual(
    line.chute.map(({ x1, x2 }) => [Math.round(x1), x2]),
    [[810, 900]],
  );
  assert.equal(line.now, 900);
  assert.deepEqual(
    line.ticks.map(({ text }) => text),
    ["0", "2", "4", "6", "8", "10"],
  );
});

test("what has not come is not drawn, and a bar without room bears no word", () => {
  const line = phaseLine({ moments: { ...FLOWN, landing: undefined }, now: 60 }, 200);
  assert.equal(line.span, 75);
  assert.deepEqual(
    line.phases.map(({ text }) => text),
    ["", "", "descent"],
  );
  assert.deepEqual(phaseLine({ moments: {}, now: 0 }, 200).phases, []);
  assert.deepEqual(phaseLine({ moments: FLOWN, control: [[2, 3]], now: 1 }, 200).control, []);
});

test("the words say the same", () => {
  const line = phaseLine({ moments: FLOWN, control: [[2.2, 6.5]], chute: [[8.1, undefined]], now: 9 }, 1000);
  const told = "Boost from T+0.0 s, coast from T+1.5 s, descent from T+8.0 s, control T+2.2 to 6.5, chute T+8.1 on.";
  assert.equal(phaseWords(line), told);
  assert.equal(phaseWords(phaseLine({ moments: {}, now: 0 }, 100)), "Phases: not lifted off.");
});
