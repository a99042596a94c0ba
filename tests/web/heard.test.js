// What a screen reader is told of phase and alarms: only changes, never a count of seconds.

import assert from "node:assert/strict";
import { test } from "node:test";
import { heardWords } from "../../web/frame/heard.js";

const view = ({ silence = null, phase = "coast", alarms = [] } = {}) => ({
  silence,
  state: () => ({ body: { phase } }),
  alarms: () => alarms,
});

test("phase and the worst alarm are said", () => {
  assert.equal(heardWords(view()), "Phase coast.");
  const alarms = [{ key: "a", text: "Battery low", severity: "warning", acknowledged: null }];
  assert.equal(heardWords(view({ alarms })), "Phase coast. 1 alarm: Battery low.");
});

test("in silence only who is silent is said, whatever the seconds", () => {
  assert.equal(heardWords(view({ silence: { who: "station", for_s: 3 } })), "The station is silent.");
  assert.equal(heardWords(view({ silence: { who: "vehicle", for_s: 3 } })), "The vehicle is silent.");
  assert.equal(heardWords(view({ silence: { who: "vehicle", for_s: 9 } })), "The vehicle is silent.");
});
