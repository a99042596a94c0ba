// The page's small stores, each written by itself alone, and the snapshot that panels are told.

import assert from "node:assert/strict";
import { test } from "node:test";

import { whoCommands } from "../../web/desk/authority.js";
import { Notices, refusal } from "../../web/frame/notice.js";
import { Opened } from "../../web/session/opened.js";
import { pageOf } from "../../web/session/page.js";
import { Store } from "../../web/session/store.js";
import { Operator, takeToken } from "../../web/station/operator.js";
import { Rehearsals } from "../../web/station/rehearsals.js";
import { Shelf } from "../../web/station/shelf.js";
import { TrialPlans } from "../../web/station/trial_plans.js";
import { DICTIONARY } from "./make.js";

const settle = () => new Promise((resolve) => setImmediate(resolve));

function storage(kept = {}) {
  return { kept, getItem: (key) => kept[key] ?? null, setItem: (key, value) => Object.assign(kept, { [key]: value }) };
}

function page(changes = {}) {
  const shelf = { sessions: null, trash: null, comparison: null, onboard: null, plans: {} };
  const nothing = { about: null, canKeep: false, desk: null, beat: null, silentSince: null, live: null, now: 0 };
  return pageOf({ ...nothing, opened: new Opened(), shelf, ...changes });
}

test("a chart takes several channels, and a channel stands in one chart only", () => {
  const opened = new Opened();
  const [a, b, c] = [0, 1, 2].map((index) => ({ table: "nav", index }));
  opened.chart([a], "same"); // the first one, whatever is asked
  opened.chart([b], "same");
  opened.chart([c], "new");
  assert.deepEqual(opened.charts, [[a, b], [c]]);
  opened.chart([a], "same");
  assert.deepEqual(opened.charts, [[b], [c, a]], "it moved");
  opened.chart([{ ...b }], "off");
  assert.deepEqual(opened.charts, [[c, a]], "an empty chart goes");
  opened.chart([c, a], "same");
  assert.deepEqual(opened.charts, [[c, a]]);
});

test("opening a recording and leaving it put charts and summary away", () => {
  const opened = new Opened();
  opened.chart([{ table: "nav", index: 1 }], "new");
  opened.open(new Store(DICTIONARY), { name: "flight", label: "First" }, { apogee_m: 1 });
  assert.deepEqual([opened.replay.label, opened.summary.apogee_m, opened.charts.length], ["First", 1, 0]);
  opened.leave();
  assert.deepEqual([opened.replay, opened.summary], [null, null]);
});

test("a command can be given only at an open desk of one's own, live, and while the station is heard", () => {
  const desk = { open: true, yours: true };
  const opened = new Opened();
  opened.open(new Store(DICTIONARY), { name: "flight" }, null);
  assert.equal(page({ desk }).canCommand, true);
  for (const change of [{ opened }, { silentSince: 5 }, { desk: { ...desk, yours: false } }, { desk: null }]) {
    assert.equal(page({ desk, ...change }).canCommand, false, JSON.stringify(Object.keys(change)));
  }
});

test("what is looked at says whether it is simulated, and nobody changes the snapshot", () => {
  assert.equal(page().simulated, false);
  assert.equal(page({ live: new Store(DICTIONARY) }).simulated, true);
  const opened = new Opened();
  opened.open(new Store({ ...DICTIONARY, simulated: false }), { name: "flight" }, null);
  assert.equal(page({ live: new Store(DICTIONARY), opened }).simulated, false);
  assert.throws(() => {
    page().canCommand = true;
  }, TypeError);
});

test("a trouble ends only a trouble, and what is over is swept away", () => {
  const notices = new Notices();
  const before = { link: "lost", yours: true };
  notices.say(refusal("send", { sentence: "no link" }, before, 0));
  notices.trouble(null);
  assert.equal(notices.current.text, "Not sent. No link.");
  notices.sweep(before, 10);
  assert.ok(notices.current);
  notices.sweep({ ...before, link: "up" }, 10);
  assert.equal(notices.current, null);
  notices.trouble("The station does not answer.");
  notices.sweep(before, 1e9);
  assert.equal(notices.current.text, "The station does not answer.");
  notices.trouble(null);
  assert.equal(notices.current, null);
});

/** An operator at a made-up desk socket. */
function signedIn(replaying = () => false) {
  const asked = [];
  const lost = [];
  const sockets = [];
  const kept = storage({ "blockhouse.operator": "token" });
  const operator = new Operator({
    storage: kept,
    replaying,
    lost: (_before, after) => lost.push(after.holder),
    changed() {},
    connect(token, name, change) {
      const socket = { token, name, change, state: { open: false, yours: false }, closed: false };
      socket.ask = async (message) => asked.push(message.type) && { ok: message.type !== "give" };
      socket.close = () => {
        socket.closed = true;
      };
      sockets.push(socket);
      return socket;
    },
  });
  operator.open();
  const moved = (state) => sockets.at(-1).change({ open: true, holder: null, ...state });
  return { operator, asked, lost, sockets, moved, kept };
}

test("the token comes once in the address and stays in this tab", () => {
  const kept = storage();
  const history = { replaceState: (...all) => history.done.push(all.at(-1)), done: [] };
  const location = { hash: "#operator=a%2Fb", pathname: "/", search: "?x=1" };
  assert.equal(takeToken(location, history, kept), "a/b");
  assert.deepEqual(history.done, ["/?x=1"]);
  assert.equal(takeToken({ ...location, hash: "" }, history, kept), "a/b");
  assert.equal(takeToken({ ...location, hash: "" }, history, storage()), null);
});

test("authority that goes away unasked is told, what one gave up oneself is not", async () => {
  const { operator, lost, moved } = signedIn();
  moved({ yours: true });
  moved({ yours: false, holder: "B" });
  assert.deepEqual(lost, ["B"]);
  moved({ yours: true });
  await operator.ask({ type: "release" });
  moved({ yours: false, holder: "C" });
  assert.deepEqual(lost, ["B"]);
  moved({ yours: true });
  await operator.ask({ type: "give", to: "D" });
  moved({ yours: false, holder: "E" });
  assert.deepEqual(lost, ["B", "E"], "the giving was refused");
});

test("from a recording only safe all and giving up are asked; authority that comes later is given up", async () => {
  const { operator, asked, moved } = signedIn(() => true);
  assert.equal((await operator.ask({ type: "send" })).ok, false);
  moved({ yours: true });
  await operator.ask({ type: "safe_all" });
  assert.deepEqual(asked, ["release", "safe_all"]);
});

test("without a token there is no desk; another name signs in anew", async () => {
  const { operator, sockets, kept } = signedIn();
  operator.rename("Ines");
  assert.deepEqual([sockets.length, sockets[0].closed, sockets[1].name], [2, true, "Ines"]);
  assert.equal(kept.kept["blockhouse.name"], "Ines");
  const nobody = new Operator({ storage: storage(), replaying: () => false, changed() {}, lost() {}, connect() {} });
  nobody.open();
  assert.equal(nobody.state, null);
  assert.deepEqual(await nobody.ask({ type: "send" }), {
    ok: false,
    sentence: "No command can be given from here.",
  });
});

test("who commands is said in two words, and not in a replay", () => {
  assert.deepEqual(whoCommands({ desk: { open: true, yours: true }, replay: null }), ["You command", "good"]);
  assert.deepEqual(whoCommands({ desk: { open: true, holder: "B" }, replay: null }), ["B commands", "caution"]);
  assert.deepEqual(whoCommands({ desk: { open: true }, replay: null }), ["Nobody commands", "caution"]);
  assert.deepEqual(whoCommands({ desk: { open: true, yours: true }, replay: {} }), ["", "none"]);
});

/** A shelf whose station answers as `api` says. */
function shelfOf(api, open = { name: "flight" }) {
  const troubles = [];
  const hooks = { changed() {}, trouble: (said) => troubles.push(said), token: () => "t", opened: () => open.name };
  return { shelf: new Shelf(hooks, api), troubles };
}

test("a change on the shelf lists it anew, a refusal is a sentence and keeps what was known", async () => {
  const api = {
    getSessions: async () => [{ name: "flight" }],
    getTrash: async () => [],
    changeShelf: async (method) => {
      if (method === "DELETE") throw new Error("It is being recorded.");
    },
  };
  const { shelf, troubles } = shelfOf(api);
  await shelf.acts.note("flight", { label: "x" });
  assert.deepEqual([shelf.sessions, shelf.trash], [[{ name: "flight" }], []]);
  await shelf.acts.remove("flight");
  assert.deepEqual([troubles, shelf.sessions.length], [["It is being recorded."], 1]);
});

test("a listing that is slow takes nothing back that a later one has told", async () => {
  const answers = [];
  const api = { getSessions: () => new Promise((resolve) => answers.push(resolve)) };
  const { shelf } = shelfOf(api);
  const both = [shelf.acts.listSessions(), shelf.acts.listSessions()];
  const turn = () => new Promise((resolve) => setTimeout(resolve));
  await turn();
  answers[1]?.([{ name: "later" }]);
  await turn();
  answers[0]([{ name: "slow" }]);
  await turn();
  answers[1]([{ name: "later" }]);
  await Promise.all(both);
  assert.deepEqual(shelf.sessions, [{ name: "later" }]);
});

test("fewer than two flights are no comparison", async () => {
  const { shelf } = shelfOf({ getComparison: async (names) => ({ told: names }) });
  await shelf.acts.compare(["a", "b"]);
  assert.deepEqual(shelf.comparison, { told: ["a", "b"] });
  await shelf.acts.compare(["a"]);
  assert.equal(shelf.comparison, null);
});

test("a plan keeps what could be worked out and the reason for what could not", async () => {
  const api = {
    getConfiguration: async () => {
      throw new Error("No pieces.");
    },
    getForecast: async (_name, changes) => ({ changes }),
  };
  const { shelf } = shelfOf(api);
  await shelf.acts.lookAtPlan("live");
  const { configuration, unbuilt, forecast, problem } = shelf.plans.live;
  assert.deepEqual([configuration, unbuilt, forecast, problem], [undefined, "No pieces.", { changes: {} }, undefined]);
  await shelf.acts.forecast("live", { mass: 1 });
  assert.deepEqual([shelf.plans.live.unbuilt, shelf.plans.live.forecast.changes], ["No pieces.", { mass: 1 }]);
});

test("a log that fails leaves nothing half shown; a late answer about another recording is nobody's", async () => {
  const open = { name: "flight" };
  let answer;
  const api = {
    bringLog: async () => {
      throw new Error("No such column.");
    },
    getLog: () =>
      new Promise((resolve) => {
        answer = resolve;
      }),
    getProgress: async () => undefined,
  };
  const { shelf, troubles } = shelfOf(api, open);
  const bringing = shelf.acts.bringLog([{ name: "log.csv" }], {});
  assert.match(shelf.onboard.busy, /^Reading log\.csv/);
  await bringing;
  assert.deepEqual([shelf.onboard, troubles], [null, ["No such column."]]);
  const looking = shelf.acts.lookAtLog("flight");
  open.name = "other";
  answer({ told: {} });
  await looking;
  await settle();
  assert.equal(shelf.onboard, null);
});

test("one text is asked about first, a card and several files come at once", async () => {
  const brought = [];
  const api = {
    lookIntoLog: async (_name, file) => (file.name.endsWith(".bin") ? { card: true } : { columns: ["t"] }),
    bringLog: async (_name, files, mapping) => brought.push([files.map((file) => file.name), mapping]),
    getLog: async () => ({ told: {} }),
    getProgress: async () => undefined,
    getSessions: async () => [],
  };
  const { shelf } = shelfOf(api, { name: "flight" });
  await shelf.acts.takeLog([{ name: "a.csv" }]);
  assert.deepEqual([shelf.onboard.form, brought], [{ columns: ["t"] }, []]);
  await shelf.acts.takeLog([{ name: "a.bin" }]);
  await shelf.acts.takeLog([{ name: "a.csv" }, { name: "b.csv" }]);
  assert.deepEqual(brought, [
    [["a.bin"], null],
    [["a.csv", "b.csv"], null],
  ]);
});

test("trial plans are asked for again when the station did not answer, and none is a sentence", async (t) => {
  t.mock.timers.enable({ apis: ["setTimeout"] });
  const answers = [];
  const pasts = [
    () => ({ trials: [{ plan: "a" }], whole: false }),
    () => ({ trials: [{ plan: "a" }, { plan: "b" }], whole: true }),
    () => {
      throw new Error("silent");
    },
  ];
  const trials = new TrialPlans(
    () => {},
    async () => answers.shift()(),
    async () => pasts.shift()(),
  );
  answers.push(() => {
    throw new Error("silent");
  });
  await trials.acts.listTrials();
  const problem = "The station did not give its trial plans.";
  assert.deepEqual(trials.known, { asked: true, plans: null, problem, past: [] });
  t.mock.timers.tick(2000);
  assert.equal(trials.known.asked, false);
  answers.push(() => ({ plans: [], problems: { "mine.toml": "No fins." } }));
  await trials.acts.listTrials();
  assert.equal(trials.known.problem, "No trial plan fits this vehicle. No fins.");
  assert.equal(trials.known.past.length, 1);
  t.mock.timers.tick(2000); // the shelf was not read whole
  await new Promise(setImmediate);
  assert.equal(trials.known.past.length, 2);
  answers.push(() => ({ plans: [{ name: "arm-safe" }], problems: {} }));
  await trials.acts.listTrials();
  assert.deepEqual([trials.known.plans.length, trials.known.problem], [1, ""]);
  assert.deepEqual(trials.known.past, [], "without an answer there is no history, and no trouble");
});

test("rehearsals are asked for from time to time; without an answer what was known stays", async () => {
  const answers = [{ builds: [{ build: "ab" }] }, null, { builds: [{ build: "ab" }] }, { builds: [] }];
  let drawn = 0;
  const rehearsals = new Rehearsals(
    () => drawn++,
    async () => answers.shift() ?? Promise.reject(new Error("silent")),
  );
  const look = (ms) => rehearsals.acts.lookAtRehearsals(ms);
  await look(0);
  assert.equal(look(9999), undefined, "not yet again");
  assert.deepEqual([rehearsals.known.builds, drawn], [[{ build: "ab" }], 1]);
  await look(10000);
  await look(20000);
  assert.deepEqual([rehearsals.known.builds, drawn], [[{ build: "ab" }], 1], "the same draws nothing");
  await look(30000);
  assert.deepEqual([rehearsals.known.builds, answers.length], [[], 0]);
});

test("a rehearsal that is chosen is asked for its picture, and one without says so", async () => {
  const asked = [];
  const waiting = {};
  const rehearsals = new Rehearsals(
    () => {},
    undefined,
    (name) => {
      asked.push(name);
      return new Promise((told, failed) => {
        waiting[name] = { told, failed };
      });
    },
  );
  const choose = (name) => rehearsals.acts.chooseRehearsal({ build: "ab" }, { name });
  const first = choose("a");
  assert.deepEqual(rehearsals.known.chosen, { build: { build: "ab" }, mark: { name: "a" }, track: null, problem: "" });
  const second = choose("b");
  waiting.b.told({ curves: [] });
  await second;
  waiting.a.told({ curves: ["of another"] });
  await first;
  assert.deepEqual(rehearsals.known.chosen.track, { curves: [] }, "what comes late belongs to another");
  const third = choose("c");
  waiting.c.failed(new Error("No picture is kept of this rehearsal."));
  await third;
  assert.deepEqual([rehearsals.known.chosen.track, rehearsals.known.chosen.problem.slice(0, 10)], [null, "No picture"]);
  await choose("");
  assert.deepEqual(asked, ["a", "b", "c"], "an old line without a recording is not asked for");
  assert.equal(rehearsals.known.chosen.problem, "No picture is kept of this rehearsal.");
  await rehearsals.acts.chooseRehearsal(null, null);
  assert.equal(rehearsals.known.chosen, null);
});
