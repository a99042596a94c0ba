// Figures in words: a number with its doubt, or the reason why there is none; never a dash where a reason is known.

import assert from "node:assert/strict";
import test from "node:test";
import { figureRows } from "../../web/panels/learn/figures_panel.js";

const rows = (figures) => Object.fromEntries(figureRows(figures, 20));

test("a roll that was not measured says why, whatever its verdict", () => {
  const reason_text = "too little was heard of fins";
  assert.equal(
    rows({ roll: { verdict: "not enough data", reason_text } })["Roll authority"],
    "not enough data: too little was heard of fins",
  );
  assert.equal(
    rows({ roll: { verdict: "not excited", reason_text: "the fins moved by 0.0004 rad only" } })["Roll authority"],
    "not excited: the fins moved by 0.0004 rad only",
  );
});

test("the greatest speed is told with its doubt and by what, or why not", () => {
  const speed = { speed_m_s: 71.34, sigma_m_s: 1.3, source: "barometer", t: 21.4 };
  assert.match(rows({ greatest_speed: speed })["Greatest speed"], /^71 ± 3 m\/s by the barometer/);
  assert.equal(
    rows({ greatest_speed: { reason: "too few heights in the climb" } })["Greatest speed"],
    "not measured: too few heights in the climb",
  );
});
