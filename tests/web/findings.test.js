// A finding that the rest of the flight took back is shown no longer, but stood where the cursor goes back.

import assert from "node:assert/strict";
import { test } from "node:test";
import { findingsOf } from "../../web/session/findings.js";
import { Journal } from "../../web/session/journal.js";
import { entry } from "./make.js";

test("what was taken back is no finding from then on", () => {
  const journal = new Journal();
  journal.add([
    entry(0, 1, "finding", "fast_descent", { t: 1 }, "came down under one parachute", "warning"),
    entry(1, 2, "finding", "thin_link", { t: 2 }, "thin link", "caution"),
    entry(2, 5, "finding", "fast_descent", { t: 1, withdrawn: true }, "taken back: came down under one parachute"),
  ]);
  const at = (rx) => ({ states: (topic) => journal.states(topic, rx), finalStates: (topic) => journal.states(topic) });
  assert.deepEqual(
    findingsOf(at(3)).map(({ key }) => key),
    ["fast_descent", "thin_link"],
  );
  assert.deepEqual(
    findingsOf(at(6)).map(({ key }) => key),
    ["thin_link"],
  );
  assert.deepEqual(
    findingsOf(at(1), true).map(({ key }) => key),
    ["thin_link"],
  );
});
