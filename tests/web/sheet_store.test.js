// The desk sheet without its elements: what is asked of the station, and what every reply, early, late or lost, makes
// of it.

import assert from "node:assert/strict";
import { test } from "node:test";

import { CHECK_MS, CLOSED, SheetStore, step } from "../../web/desk/sheet_store.js";

const FIRE = { name: "fire", title: "Fire", hazard: "hazardous", args: [], interlocks: [] };
const PING = { name: "ping", title: "Ping", hazard: "routine", args: [] };
const READY = { ok: true, id: 7, earliest_confirm_rx: 11, expires_rx: 20 };
const OTHERS = { id: 9, operator: "B", args: { channel: 2 }, state: "armed", earliest_confirm_rx: 11, expires_rx: 20 };

/** A store whose questions wait for `answer`. */
function desk() {
  const asked = [];
  const store = new SheetStore({
    changed() {},
    ask: (message) => new Promise((resolve) => asked.push({ message, resolve })),
  });
  const answer = async (reply) => {
    asked.shift().resolve(reply);
    await new Promise((resolve) => setImmediate(resolve));
  };
  const types = () => asked.map(({ message }) => message.type);
  return { store, asked, answer, types };
}

async function ready() {
  const made = desk();
  made.store.take({ type: "open", command: FIRE });
  made.store.take({ type: "ask_ready", args: { channel: 1 }, problem: "" });
  await made.answer(READY);
  return made;
}

test("two acts: what was made ready is what is confirmed, whatever is typed meanwhile", async () => {
  const { store, asked, answer } = await ready();
  assert.deepEqual([store.sheet.state, store.sheet.id, store.sheet.readied], ["ready", 7, 1]);
  store.take({ type: "look", now: 0, args: { channel: 3 }, problem: "" });
  assert.deepEqual(asked.shift().message, { type: "check", command: "fire", args: { channel: 3 } });
  store.take({ type: "ask_confirm" });
  assert.deepEqual(asked[0].message, { type: "confirm", id: 7, command: "fire", args: { channel: 1 } });
  await answer({ ok: true });
  assert.equal(store.sheet.state, "following");
});

test("what cannot be sent is said and not asked", () => {
  const { store, asked } = desk();
  store.take({ type: "open", command: FIRE });
  store.take({ type: "ask_ready", args: {}, problem: "Angle needs a number." });
  assert.deepEqual([store.sheet.state, store.sheet.said, asked.length], ["open", "Angle needs a number.", 0]);
});

test("a refusal goes back a step and says why; a confirmation without a reply is followed", async () => {
  const { store, answer } = desk();
  store.take({ type: "open", command: FIRE });
  store.take({ type: "ask_ready", args: {}, problem: "" });
  await answer({ ok: false, sentence: "The link is down." });
  assert.deepEqual([store.sheet.state, store.sheet.said, store.sheet.id], ["open", "The link is down.", null]);
  const again = await ready();
  again.store.take({ type: "ask_confirm" });
  await again.answer({ ok: false, sentence: "Too early." });
  assert.equal(again.store.sheet.state, "ready", "at the station it is still ready");
  again.store.take({ type: "ask_confirm" });
  await again.answer({ ok: false, late: true, sentence: "No reply." });
  assert.deepEqual([again.store.sheet.state, again.store.sheet.said], ["following", "No reply."]);
});

test("whatever takes a ready command from the sheet takes it back at the station", async () => {
  for (const event of [{ type: "drop" }, { type: "close" }, { type: "open", command: PING }]) {
    const { store, asked } = await ready();
    store.take(event);
    assert.deepEqual(asked[0].message, { type: "cancel", id: 7 }, event.type);
  }
});

test("what got ready after its sheet went away is taken back, and changes nothing here", async () => {
  const { store, answer, types } = desk();
  store.take({ type: "open", command: FIRE });
  store.take({ type: "ask_ready", args: {}, problem: "" });
  store.take({ type: "drop" });
  store.take({ type: "open", command: PING });
  const before = store.sheet;
  await answer(READY);
  assert.deepEqual(types(), ["cancel"]);
  assert.equal(store.sheet, before);
});

test("a running confirmation cannot be left: neither by Escape nor by opening another command", async () => {
  const { store } = await ready();
  store.take({ type: "ask_confirm" });
  for (const event of [{ type: "drop" }, { type: "open", command: PING }]) {
    const before = store.sheet;
    store.take(event);
    assert.equal(store.sheet, before, event.type);
  }
});

test("what ends by itself is said: in time, out of time, dropped by the station", async () => {
  const { sheet } = (await ready()).store;
  const watched = (commandState, rx) => step(sheet, { type: "watch", commandState, rx }).sheet;
  assert.equal(watched("armed", 20), sheet);
  assert.equal(watched(undefined, 15), sheet, "its own view has not come yet");
  assert.deepEqual([watched("abandoned", 15).state, watched("abandoned", 15).said], ["following", ""]);
  assert.deepEqual(
    [watched("armed", 20.1).state, watched("armed", 20.1).said],
    ["open", "Time ran out: nothing was sent."],
  );
});

test("another person's command comes by itself and is put aside when declined or late", () => {
  const { sheet: invited } = step(CLOSED, { type: "invited", asked: OTHERS, command: FIRE });
  assert.deepEqual([invited.state, invited.id, invited.args, invited.invitedBy], ["ready", 9, { channel: 2 }, "B"]);
  const declined = step(invited, { type: "drop" });
  assert.deepEqual(declined.asks, [{ type: "cancel", id: 9 }]);
  assert.deepEqual([declined.sheet.state, declined.sheet.putAside], ["following", [9]]);
  const late = step(invited, { type: "watch", commandState: "armed", rx: 21 }).sheet;
  assert.deepEqual([late.state, late.putAside], ["following", [9]]);
  const busy = { ...invited, state: "confirming" };
  assert.equal(step(busy, { type: "invited", asked: OTHERS, command: FIRE }).sheet, busy);
});

test("the conditions are looked at twice a second while they matter", () => {
  const look = { type: "look", args: {}, problem: "" };
  let { sheet, asks } = step(step(CLOSED, { type: "open", command: FIRE }).sheet, { ...look, now: 0 });
  assert.equal(asks[0].type, "check");
  assert.deepEqual(step(sheet, { ...look, now: CHECK_MS - 1 }).asks, []);
  assert.equal(step(sheet, { ...look, now: CHECK_MS }).asks.length, 1);
  assert.deepEqual(step(sheet, { ...look, now: CHECK_MS, problem: "Angle needs a number." }).asks, []);
  ({ asks } = step(step(CLOSED, { type: "open", command: PING }).sheet, { ...look, now: 0 }));
  assert.deepEqual(asks, [], "a routine command has none");
  const late = { type: "replied", asked: "check", round: sheet.round - 1, reply: { interlocks: [] } };
  assert.equal(step(sheet, late).sheet, sheet);
  sheet = step(sheet, { ...late, round: sheet.round }).sheet;
  assert.deepEqual(sheet.check, { interlocks: [] });
});

test("a routine command goes with one act, and its steps are followed", async () => {
  const { store, asked, answer } = desk();
  store.take({ type: "open", command: PING });
  store.take({ type: "ask_send", args: {}, problem: "" });
  assert.deepEqual(asked[0].message, { type: "send", command: "ping", args: {} });
  await answer({ ok: true, id: 3 });
  assert.deepEqual([store.sheet.state, store.sheet.id], ["following", 3]);
});
