import assert from "node:assert/strict";
import { test } from "node:test";

import { cyclesOf, newestTrial, trialSentence, trialTone } from "../../web/panels/try/trial_words.js";

const PLAN = { name: "made", title: "Made up", hazard: "hazardous", cycles: 4 };
const PROGRESS = {
  state: "sending",
  run: 3,
  runs: 8,
  cycle: 2,
  cycles: 4,
  variant: "channel 1",
  step: "Arm, channel 1",
  passed: 2,
  failed: 0,
};
const RESULT = { runs: 3, passed: 2, failed: 1, safe: true, cause: "channel[3].armed: odd" };

const note = (rx, body) => ({ rx, body: { id: "t1", plan: PLAN, operator: "Ada 1", ...body } });
const ARMED = { state: "armed", permit: "p1", earliest_confirm_rx: 10.3, expires_rx: 20 };

function view(rx, trials, permits = {}) {
  return {
    cursor: { rx },
    states: () => trials,
    state: (topic, key) => (topic === "permit" && permits[key] ? { body: permits[key] } : undefined),
  };
}

test("the newest trial is the one that was noted last, and none is none", () => {
  assert.equal(newestTrial(view(0, [])), undefined);
  const older = { rx: 5, body: { id: "t1", state: "passed" } };
  const newer = { rx: 9, body: { id: "t2", state: "running" } };
  assert.equal(newestTrial(view(10, [older, newer])).id, "t2");
  assert.equal(newestTrial(view(10, [newer, older])).id, "t2");
});

test("a plan that is ready waits only inside its window and while its permit stands", () => {
  assert.equal(newestTrial(view(10.1, [note(10, ARMED)])).state, "armed");
  assert.equal(newestTrial(view(20, [note(10, ARMED)], { p1: { state: "armed" } })).state, "armed");
  assert.equal(newestTrial(view(20.1, [note(10, ARMED)])).state, "expired");
  const ended = newestTrial(view(12, [note(10, ARMED)], { p1: { state: "ended", reason: "link lost" } }));
  assert.equal(ended.state, "expired");
  assert.match(trialSentence(ended), /no longer ready, link lost/);
});

test("a running trial says where it is", () => {
  const text = trialSentence(note(10, { state: "running", progress: PROGRESS, result: null }).body);
  assert.equal(text, "Made up: running \u00b7 run 3 of 8, cycle 2 of 4 \u00b7 channel 1 \u00b7 Arm, channel 1");
});

test("a trial that is over says its score and its cause", () => {
  const body = note(10, { state: "failed", progress: PROGRESS, result: RESULT }).body;
  assert.equal(trialSentence(body), "Made up: failed \u00b7 2 of 3 runs passed \u00b7 channel[3].armed: odd");
  assert.equal(trialTone(body), "danger");
});

test("what nobody has seen safe is dangerous, even with a perfect score", () => {
  const body = note(10, { state: "passed", progress: PROGRESS, result: { ...RESULT, safe: false, cause: "" } }).body;
  assert.equal(trialTone(body), "danger");
  assert.match(trialSentence(body), /NOT seen to be safe: treat everything as armed/);
  assert.equal(trialTone({ ...body, result: { ...RESULT, safe: true } }), "good");
});

test("only a whole number of cycles in range is one", () => {
  assert.deepEqual(["1", " 25 ", "10000"].map(cyclesOf), [1, 25, 10000]);
  for (const text of ["", "0", "-1", "2.5", "1e3", "10001", "ten", "NaN"])
    assert.ok(Number.isNaN(cyclesOf(text)), text);
});
