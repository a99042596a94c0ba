import assert from "node:assert/strict";
import { test } from "node:test";

import { goalsWords } from "../../web/panels/learn/goals_panel.js";

test("goals are told in one line, the good first and nothing that is none", () => {
  const goals = ["met", "not tested", "met", "not met"].map((outcome, i) => ({ outcome, what: `Goal ${i}` }));
  assert.equal(goalsWords(goals), "2 met, 1 not met, 1 not tested \u00b7 Goal 1: not tested \u00b7 Goal 3: not met");
  assert.equal(goalsWords(goals.slice(0, 1)), "1 met");
});
