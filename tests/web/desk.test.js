import assert from "node:assert/strict";
import { test } from "node:test";

import { choices, complaint, toSi } from "../../web/arguments.js";
import { channelState } from "../../web/channel_state.js";
import { confirmWindow, FLOW, Hold, nextState } from "../../web/desk_flow.js";
import { isEvent } from "../../web/event_list.js";
import { meaning } from "../../web/keys.js";
import { worthSaying } from "../../web/last_command.js";
import { COMMAND_STATES } from "../../web/messages.js";

test("no single act leads from an open sheet to a confirmation", () => {
  for (const event of Object.keys(FLOW.open)) assert.notEqual(nextState("open", event), "confirming");
  const into = Object.entries(FLOW).filter(([, row]) => Object.values(row).includes("confirming")).map(([state]) => state);
  assert.deepEqual(into, ["armed"]);
  const armedFrom = Object.entries(FLOW).filter(([, row]) => Object.values(row).includes("armed")).map(([state]) => state);
  assert.deepEqual(armedFrom, ["arming"]);
});

test("every state and event of the table ends in a state of the table, and a late reply changes nothing", () => {
  const events = new Set(Object.values(FLOW).flatMap((row) => Object.keys(row)));
  for (const state of Object.keys(FLOW)) for (const event of events) assert.ok(nextState(state, event) in FLOW);
  assert.equal(nextState("closed", "armed"), "closed");
  assert.equal(nextState("following", "expired"), "following");
});

test("the second act is open only between its two times", () => {
  const arm = { earliest_confirm_rx: 10.3, expires_rx: 20 };
  assert.deepEqual([10, 10.3, 15, 20, 20.01].map((rx) => confirmWindow(arm, rx)), ["early", "open", "open", "open", "late"]);
});

test("letting go of the hold starts over, pressing again while held does not", () => {
  const hold = new Hold(1000);
  hold.press(0);
  assert.equal(hold.progress(900), 0.9);
  hold.press(900);
  assert.equal(hold.progress(999), 0.999);
  hold.release();
  assert.equal(hold.progress(5000), 0);
  hold.press(5000);
  assert.equal(hold.progress(5999), 0.999);
  assert.equal(hold.progress(6000), 1);
});

test("an unknown outcome never looks like a cancelled command", () => {
  assert.notEqual(COMMAND_STATES.unknown.tone, COMMAND_STATES.cancelled.tone);
  assert.equal(COMMAND_STATES.unknown.tone, "danger");
  assert.match(COMMAND_STATES.unknown.word, /treat as armed/);
});

test("a command's steps are not events, its outcome is", () => {
  const of = (state) => isEvent({ topic: "command", body: { state } });
  assert.deepEqual(["queued", "sent", "accepted", "verified", "unknown", "failed"].map(of), [false, false, false, true, true, true]);
  assert.equal(isEvent({ topic: "moment", body: {} }), true);
});

const bit = (value, stale = false) => ({ value, stale });

test("a channel heard too long ago is unknown and dangerous, whatever it said last", () => {
  for (const armed of [0, 1]) {
    const picked = channelState({ continuity: bit(1), armed: bit(armed, true), fired: bit(0), inhibited: bit(1) });
    assert.deepEqual([picked.state, picked.tone], ["unknown", "danger"]);
  }
  assert.equal(channelState({}).state, "unknown");
  assert.equal(channelState({ armed: bit(undefined) }).state, "unknown");
  assert.equal(channelState({ armed: bit(NaN) }).state, "unknown");
});

test("armed outranks everything else that telemetry says", () => {
  for (const continuity of [0, 1]) for (const fired of [0, 1]) for (const inhibited of [0, 1]) {
    assert.equal(channelState({ continuity: bit(continuity), armed: bit(1), fired: bit(fired), inhibited: bit(inhibited) }).state, "armed");
  }
  assert.equal(channelState({ continuity: bit(0), armed: bit(0), fired: bit(1) }).state, "fired");
  assert.equal(channelState({ continuity: bit(0), armed: bit(0), fired: bit(0), inhibited: bit(1) }).state, "open");
  assert.equal(channelState({ continuity: bit(1), armed: bit(0), fired: bit(0), inhibited: bit(1) }).state, "inhibited");
  assert.equal(channelState({ continuity: bit(1), armed: bit(0), fired: bit(0) }).state, "continuous");
});

const ANGLE = { name: "angle", type: "i16", unit: "rad", display_unit: "deg", display_scale: 180 / Math.PI, display_offset: 0, min: -0.2618, max: 0.2618 };

test("arguments are typed in display units, sent in SI, and refused outside their limits", () => {
  assert.ok(Math.abs(toSi(ANGLE, "10") - 0.1745329) < 1e-6);
  assert.equal(complaint(ANGLE, toSi(ANGLE, "15")), "");
  assert.match(complaint(ANGLE, toSi(ANGLE, "15.2")), /from \u221215 to 15\u00b0/);
  assert.match(complaint(ANGLE, toSi(ANGLE, "")), /needs a number/);
  assert.match(complaint(ANGLE, toSi(ANGLE, "ten")), /needs a number/);
});

test("a counted argument offers what is fitted, an enumerated one its words", () => {
  const camera = { name: "camera", type: "u8", min: 1, max: 4 };
  assert.deepEqual(choices(camera, ["1", "2", "3"]).map(({ value }) => value), [1, 2, 3]);
  assert.deepEqual(choices(camera, []).map(({ value }) => value), [1, 2, 3, 4]);
  assert.deepEqual(choices({ name: "on", min: 0, max: 1, values: ["off", "on"] }), [{ value: 0, text: "off" }, { value: 1, text: "on" }]);
  assert.equal(choices(ANGLE), null);
});

test("safe-all has its chord everywhere, replay keys only in a replay, and typing is never a command", () => {
  const press = (key, more = {}) => ({ key, shiftKey: false, target: { tagName: "BODY" }, ...more });
  const field = { tagName: "INPUT", type: "text" };
  assert.deepEqual(meaning(press("Escape", { shiftKey: true }), { replay: false }), ["safe_all"]);
  assert.deepEqual(meaning(press("Escape", { shiftKey: true, target: field }), { replay: true }), ["safe_all"]);
  assert.equal(meaning(press("Escape"), { replay: false }), null);
  assert.equal(meaning(press(" "), { replay: false }), null);
  assert.deepEqual(meaning(press(" "), { replay: true }), ["replay", "toggle"]);
  assert.deepEqual(meaning(press("L"), { replay: true }), ["replay", "shuttle", 1]);
  assert.equal(meaning(press("l", { target: field }), { replay: true }), null);
  assert.deepEqual(meaning(press("ArrowLeft", { target: { tagName: "INPUT", type: "range" } }), { replay: true }), ["replay", "step", -1]);
});

test("the line beside the places speaks of a running or unknown command however old, of a finished one shortly", () => {
  const command = (state, rx) => ({ state, entry: { rx } });
  assert.equal(worthSaying([command("verified", 100)], 105).state, "verified");
  assert.equal(worthSaying([command("verified", 100)], 115), undefined);
  assert.equal(worthSaying([command("cancelled", 100), command("unknown", 10)], 115).state, "unknown");
  assert.equal(worthSaying([command("sent", 1)], 1000).state, "sent");
});
