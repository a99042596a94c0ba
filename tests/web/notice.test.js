// Notices: what was refused, what was lost, and when that is over.

import assert from "node:assert/strict";
import { test } from "node:test";

import { company, leave, whyNot } from "../../web/desk/authority.js";
import { authorityNotice, isOver, refusal, SHOWN_MS } from "../../web/frame/notice.js";

const UP = { link: "up", yours: true };

test("a refused command was not sent, and no word lets one think that it waits", () => {
  const { text } = refusal("arm", { sentence: "not ready: Downlink loss under 10 % (32.1 %)" }, UP, 0);
  assert.equal(text, "Not sent. Downlink loss under 10 % (32.1 %).");
  const lost = refusal(
    "send",
    { sentence: "the downlink is lost; nothing is kept for later, ask again when the vehicle is heard" },
    UP,
    0,
  ).text;
  assert.match(lost, /^Not sent\. The downlink is lost; nothing is kept for later/);
  assert.doesNotMatch(lost, /wait/);
  assert.equal(refusal("take", { sentence: "you are not signed in" }, UP, 0).text, "You are not signed in.");
});

test("without a reply nobody knows whether it was sent", () => {
  assert.doesNotMatch(refusal("send", { sentence: "The station did not reply.", late: true }, UP, 0).text, /Not sent/);
});

test("a refusal is gone after six seconds, or at once when its cause is gone", () => {
  const said = refusal("send", { sentence: "x" }, { link: "silent", yours: true }, 1000);
  assert.equal(SHOWN_MS, 6000);
  assert.equal(isOver(said, { link: "silent", yours: true }, 7000), false);
  assert.equal(isOver(said, { link: "silent", yours: true }, 7001), true);
  assert.equal(isOver(said, { link: "up", yours: true }, 2000), true);
  const nobody = refusal("send", { sentence: "x" }, { link: "up", yours: false }, 1000);
  assert.equal(isOver(nobody, { link: "up", yours: false }, 2000), false);
  assert.equal(isOver(nobody, UP, 2000), true);
  assert.equal(isOver({ text: "page trouble", trouble: true }, UP, 1e9), false);
});

test("lost authority is said until it is one's own again", () => {
  const mine = { open: true, yours: true, holder: "Ada 1" };
  const taken = authorityNotice(mine, { open: true, yours: false, holder: "Ben 1" });
  assert.match(taken.text, /^Ben 1 now holds command authority\. What was ready was dropped/);
  assert.match(authorityNotice(mine, { open: true, yours: false, holder: null }).text, /^You no longer hold/);
  assert.match(authorityNotice(mine, { open: false, yours: false, holder: null }).text, /^The desk lost the station/);
  assert.equal(authorityNotice(mine, mine), undefined);
  assert.equal(authorityNotice(null, mine), undefined);
  assert.equal(isOver(taken, { link: "up", yours: false }, 1e9), false);
  assert.equal(isOver(taken, UP, 0), true);
});

test("who may command is said in every case", () => {
  const desk = { open: true, yours: false, holder: null, others: [], sentence: "" };
  assert.match(whyNot({ mode: "replay", replay: {} }), /nothing can be transmitted/);
  assert.match(whyNot({ mode: "live", replay: {}, desk }), /no command can be given/);
  assert.match(whyNot({ mode: "live", desk: null }), /View only/);
  assert.match(whyNot({ mode: "live", desk }), /Nobody holds/);
  assert.match(whyNot({ mode: "live", desk: { ...desk, holder: "Ben 1" } }), /^Ben 1 holds/);
  assert.equal(whyNot({ mode: "live", desk: { ...desk, yours: true } }), "");
  assert.match(company({ ...desk, others: ["Ben 1"], two_person: true }), /Ben 1.*Two-person rule/);
  assert.match(company(desk), /Nobody else/);
});

test("leave is asked in a sentence, only of a person at the desk of a vehicle with unbound commands", () => {
  const desk = { open: true, yours: true, asks_leave: "commands are bound to nothing; allow them first" };
  assert.equal(leave({ mode: "live", desk }), "Commands are bound to nothing; allow them first.");
  assert.equal(leave({ mode: "live", desk: { ...desk, asks_leave: "" } }), "");
  assert.equal(leave({ mode: "live", desk: { ...desk, open: false } }), "");
  assert.equal(leave({ mode: "live", desk: null }), "");
  assert.equal(leave({ mode: "live", replay: {}, desk }), "");
  assert.equal(leave({ mode: "replay", desk }), "");
});
