import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";

import { choices, complaint, toSi } from "../../web/desk/arguments.js";
import { commandSentence, missingStep } from "../../web/desk/command_log.js";
import { FLOW, invitation, nextState } from "../../web/desk/desk_flow.js";
import { lockLines } from "../../web/desk/interlock_list.js";
import { worthSaying } from "../../web/frame/last_command.js";
import { confirmWindow, countdown } from "../../web/kit/confirm_window.js";
import { Hold } from "../../web/kit/hold_button.js";
import { meaning } from "../../web/kit/keys.js";
import { isEvent } from "../../web/panels/watch/event_list.js";
import { channelState } from "../../web/session/channel_state.js";
import { COMMAND_STATES, mayAsk, STEP_WORDS, STEPS } from "../../web/session/messages.js";

test("no single act leads from an open sheet to a confirmation", () => {
  for (const event of Object.keys(FLOW.open)) assert.notEqual(nextState("open", event), "confirming");
  const into = Object.entries(FLOW)
    .filter(([, row]) => Object.values(row).includes("confirming"))
    .map(([state]) => state);
  assert.deepEqual(into, ["ready"]);
  // Into "ready" leads the station's reply to this person's first act, or the first act of another person.
  const readyBy = Object.values(FLOW).flatMap((row) =>
    Object.entries(row)
      .filter(([, to]) => to === "ready")
      .map(([event]) => event),
  );
  assert.deepEqual([...new Set(readyBy)].sort(), ["invited", "ready", "refused"]);
  const refused = Object.entries(FLOW)
    .filter(([, row]) => row.refused === "ready")
    .map(([state]) => state);
  assert.deepEqual(
    refused,
    ["confirming"],
    "only a confirmation that was refused leaves the command as ready as before",
  );
});

test("every state and event of the table ends in a state of the table, and a late reply changes nothing", () => {
  const events = new Set(Object.values(FLOW).flatMap((row) => Object.keys(row)));
  for (const state of Object.keys(FLOW)) for (const event of events) assert.ok(nextState(state, event) in FLOW);
  assert.equal(nextState("closed", "ready"), "closed");
  assert.equal(nextState("following", "expired"), "following");
});

test("the second act is open only between its two times", () => {
  const arm = { earliest_confirm_rx: 10.3, expires_rx: 20 };
  assert.deepEqual(
    [10, 10.3, 15, 20, 20.01].map((rx) => confirmWindow(arm, rx)),
    ["early", "open", "open", "open", "late"],
  );
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
});

test("a command's steps are not events, its outcome is", () => {
  const of = (state) => isEvent({ topic: "command", body: { state } });
  assert.deepEqual(["queued", "sent", "accepted", "verified", "unknown", "failed"].map(of), [
    false,
    false,
    false,
    true,
    true,
    true,
  ]);
  assert.equal(isEvent({ topic: "moment", body: {} }), true);
});

const bit = (value, stale = false) => ({ value, stale });

test("I18: a channel heard too long ago is unknown and dangerous, whatever it said last", () => {
  for (const armed of [0, 1]) {
    const picked = channelState({ continuity: bit(1), armed: bit(armed, true), fired: bit(0), inhibited: bit(1) });
    assert.deepEqual([picked.state, picked.tone], ["unknown", "danger"]);
  }
  assert.equal(channelState({}).state, "unknown");
  assert.equal(channelState({ armed: bit(undefined) }).state, "unknown");
  assert.equal(channelState({ armed: bit(NaN) }).state, "unknown");
});

test("armed outranks everything else that telemetry says", () => {
  for (const continuity of [0, 1])
    for (const fired of [0, 1])
      for (const inhibited of [0, 1]) {
        assert.equal(
          channelState({ continuity: bit(continuity), armed: bit(1), fired: bit(fired), inhibited: bit(inhibited) })
            .state,
          "armed",
        );
      }
  assert.equal(channelState({ continuity: bit(0), armed: bit(0), fired: bit(1) }).state, "fired");
  assert.equal(channelState({ continuity: bit(0), armed: bit(0), fired: bit(0), inhibited: bit(1) }).state, "open");
  assert.equal(
    channelState({ continuity: bit(1), armed: bit(0), fired: bit(0), inhibited: bit(1) }).state,
    "inhibited",
  );
  assert.equal(channelState({ continuity: bit(1), armed: bit(0), fired: bit(0) }).state, "continuous");
});

const ANGLE = {
  name: "angle",
  type: "i16",
  unit: "rad",
  display_unit: "deg",
  display_scale: 180 / Math.PI,
  display_offset: 0,
  min: -0.2618,
  max: 0.2618,
};

test("arguments are typed in display units, sent in SI, and refused outside their limits", () => {
  assert.ok(Math.abs(toSi(ANGLE, "10") - 0.1745329) < 1e-6);
  assert.equal(complaint(ANGLE, toSi(ANGLE, "15")), "");
  assert.match(complaint(ANGLE, toSi(ANGLE, "15.2")), /from \u221215 to 15\u00b0/);
  assert.match(complaint(ANGLE, toSi(ANGLE, "")), /needs a number/);
  assert.match(complaint(ANGLE, toSi(ANGLE, "ten")), /needs a number/);
});

test("a counted argument offers what is fitted, an enumerated one its words", () => {
  const camera = { name: "camera", type: "u8", min: 1, max: 4 };
  assert.deepEqual(
    choices(camera, ["1", "2", "3"]).map(({ value }) => value),
    [1, 2, 3],
  );
  assert.deepEqual(
    choices(camera, []).map(({ value }) => value),
    [1, 2, 3, 4],
  );
  assert.deepEqual(choices({ name: "on", min: 0, max: 1, values: ["off", "on"] }), [
    { value: 0, text: "off" },
    { value: 1, text: "on" },
  ]);
  assert.equal(choices(ANGLE), null);
});

test("safe-all has its chord everywhere, replay keys only in a replay, and typing is never a command", () => {
  const press = (key, more = {}) => ({ key, shiftKey: false, target: { tagName: "BODY" }, ...more });
  const field = { tagName: "INPUT", type: "text" };
  assert.deepEqual(meaning(press("Escape", { shiftKey: true }), { replay: false }), ["safe_all"]);
  assert.deepEqual(meaning(press("Escape", { shiftKey: true, target: field }), { replay: true }), ["safe_all"]);
  assert.deepEqual(meaning(press("Escape"), { replay: false }), ["escape"]);
  assert.deepEqual(meaning(press("Escape", { target: field }), { replay: true }), ["escape"]);
  assert.equal(meaning(press(" "), { replay: false }), null);
  assert.deepEqual(meaning(press(" "), { replay: true }), ["replay", "toggle"]);
  assert.deepEqual(meaning(press("L"), { replay: true }), ["replay", "shuttle", 1]);
  assert.equal(meaning(press("l", { target: field }), { replay: true }), null);
  assert.deepEqual(meaning(press("ArrowLeft", { target: { tagName: "INPUT", type: "range" } }), { replay: true }), [
    "replay",
    "step",
    -1,
  ]);
});

test("the line beside the places speaks of a running or unknown command however old, of a finished one shortly", () => {
  const command = (state, rx) => ({ state, entry: { rx } });
  assert.equal(worthSaying([command("verified", 100)], 105).state, "verified");
  assert.equal(worthSaying([command("verified", 100)], 115), undefined);
  assert.equal(worthSaying([command("cancelled", 100), command("unknown", 10)], 115).state, "unknown");
  assert.equal(worthSaying([command("sent", 1)], 1000).state, "sent");
});

test("what is left to confirm is said in words of its own", () => {
  const ready = { earliest_confirm_rx: 10.3, expires_rx: 20 };
  assert.equal(countdown(ready, 10.1), "Hold opens in 0.2 s");
  assert.equal(countdown(ready, 10.7), "9.3 s left to confirm");
  assert.equal(countdown(ready, 21), "0.0 s left to confirm");
});

test("only what another person got ready for a second person invites, in its time and until it is put aside", () => {
  const view = { id: "7", state: "armed", confirm_by: "another", operator: "Ada 1", expires_rx: 20 };
  const desk = { open: true, operator: "Ben 1" };
  const asked = (change = {}, who = desk, rx = 15, left = []) =>
    invitation([{ ...view, ...change }], who, rx, left)?.id;
  assert.equal(asked(), "7");
  assert.equal(asked({ confirm_by: "same" }), undefined);
  assert.equal(asked({ state: "queued" }), undefined);
  assert.equal(asked({ operator: "Ben 1" }), undefined);
  assert.equal(asked({}, { open: false, operator: "Ben 1" }), undefined);
  assert.equal(asked({}, null), undefined);
  assert.equal(asked({}, desk, 20), undefined);
  assert.equal(asked({}, desk, 15, ["7"]), undefined);
});

test("a command that waits says for which step and since when, in the desk's words", () => {
  const view = (state, rxs, missing, more = {}) => ({
    state,
    state_text: `text of ${state}`,
    missing,
    sends: 1,
    entry: { rx: 12 },
    steps: Object.entries(rxs).map(([step, rx]) => ({ step, rx })),
    ...more,
  });
  const accepted = view(
    "accepted",
    { asked: 10, sent: 11, accepted: 12, completed: null, verified: null },
    "completed",
  );
  assert.deepEqual(missingStep(accepted), { word: "completed", since: 12 });
  assert.equal(commandSentence(accepted, 15, false), "text of accepted \u00b7 completed missing for 3.0 s");
  assert.equal(
    commandSentence(view("verified", { asked: 10, verified: 12 }, null), 15),
    "text of verified \u00b7 3.0 s ago",
  );
  const unknown = view("unknown", { asked: 10, sent: 11, accepted: null }, "accepted", {
    reason: "link lost",
    sends: 3,
  });
  assert.equal(
    commandSentence(unknown, 15, false),
    "text of unknown \u00b7 accepted missing for 4.0 s \u00b7 sent 3 times",
  );
  assert.equal(
    commandSentence(view("armed", { asked: 10, armed: 10, confirmed: null }, "confirmed"), 15, false),
    "text of armed",
  );
});

test("'armed' is never the desk's word for a command", () => {
  const { states } = JSON.parse(readFileSync(new URL("../vectors/commands.json", import.meta.url), "utf8"));
  for (const words of Object.values(states)) {
    assert.doesNotMatch(words.replace("treat as done and as armed", ""), /\barmed\b/);
  }
  assert.match(states.unknown, /treat as done and as armed/);
  assert.deepEqual(
    STEPS.map((step) => STEP_WORDS[step] ?? step).filter((word) => word === "armed"),
    [],
  );
});

test("from a recording nothing is asked of the live station but making safe and giving up", () => {
  for (const type of ["safe_all", "release"]) assert.ok(mayAsk(type, true) && mayAsk(type, false), type);
  for (const type of ["send", "arm", "confirm", "mark", "acknowledge", "take", "give", "trial", "pad", "anything"]) {
    assert.ok(!mayAsk(type, true) && mayAsk(type, false), type);
  }
});

test("conditions come from the dictionary until the station has looked, then from the station, in its order", () => {
  const declared = [{ name: "a", title: "A" }];
  assert.deepEqual(
    lockLines(declared, undefined).map(({ name, word }) => [name, word]),
    [["a", "checking"]],
  );
  const looked = [
    { name: "a", title: "A", met: true, value_text: "1" },
    { name: "alone", title: "Alone", met: false, value_text: "busy" },
  ];
  assert.deepEqual(
    lockLines(declared, looked).map(({ name, word }) => [name, word]),
    [
      ["a", "met"],
      ["alone", "NOT met"],
    ],
  );
  assert.deepEqual(lockLines(undefined, undefined), []);
});
