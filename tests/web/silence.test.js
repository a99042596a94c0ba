// Who is silent, what is then known and said: hearing, facts with their age, safe all, the best estimate of the place.

import assert from "node:assert/strict";
import { test } from "node:test";
import { silentAlarms, sinceWords } from "../../web/frame/alarm_list.js";
import { safeAllNow } from "../../web/frame/safe_all.js";
import { alarmsNow } from "../../web/frame/status_line.js";
import { connectorWords } from "../../web/kit/servo_cable.js";
import { notKnown, sampleWords } from "../../web/kit/silence_words.js";
import { bestPlace, lastPointWords, placeWords } from "../../web/panels/find/whereabouts.js";
import { sheetNow, standingWords, summaryOf } from "../../web/panels/ready/pad_state.js";
import { channelState } from "../../web/session/channel_state.js";
import { silenceOf } from "../../web/session/hearing.js";
import { Store } from "../../web/session/store.js";
import { View } from "../../web/session/view.js";
import { entry } from "./make.js";

const number = (name, role, unit = "m") => ({ name, channel: `nav.${name}`, kind: "number", unit, role });
const COMMANDS = [{ name: "safe_all", safes_all: true, blind: "every 0.8 s until it answers", args: [] }];
const dictionary = (rate_hz = 10) => ({
  name: "made",
  vehicle: "Made",
  commands: COMMANDS,
  tables: [
    {
      name: "nav",
      title: "Nav",
      rate_hz,
      columns: [
        number("east", "position.east"),
        number("north", "position.north"),
        number("up", "position.up"),
        number("volts", "battery.voltage", "V"),
      ],
    },
  ],
});

/** A view at rx with one row heard at 20; `station` is for how many seconds the station is silent. */
function view({
  rx = 20,
  journal = [],
  station = null,
  live = true,
  rate = 10,
  rows = [[20, 20, 3, 4, 56, 7.4]],
} = {}) {
  const store = new Store(dictionary(rate));
  store.update({ from: { nav: 0 }, rows: { nav: rows }, journal, rx_now: 20, t_now: 20 });
  const now = 1_000_000;
  const page = { replay: null, mode: "live", desk: { open: true }, now };
  return new View(store, { rx, t: 20, live }, { ...page, silentSince: station === null ? null : now - 1000 * station });
}

test("of both silent it is the station, of a recording the vehicle, and a slow packet is waited for", () => {
  assert.equal(view({ rx: 21 }).silence, null);
  assert.deepEqual(view({ rx: 32 }).silence, { who: "vehicle", for_s: 12 });
  assert.deepEqual(view({ rx: 32, station: 12 }).silence, { who: "station", for_s: 12 });
  assert.deepEqual(view({ rx: 25, live: false, station: 3 }).silence, { who: "vehicle", for_s: 5 });
  assert.equal(view({ rx: 32, rate: 0.2 }).silence, null);
  assert.equal(view({ rx: 36, rate: 0.2 }).silence.who, "vehicle");
  assert.deepEqual(view({ rows: [] }).silence, { who: "vehicle", for_s: Infinity });
  assert.equal(silenceOf(view({ rx: 21 }).store, { rx: 21, live: true }, {}), null, "a page that says nothing of it");
});

test("a number goes unknown with whoever is silent, also one whose packet has no rate", () => {
  assert.equal(sampleWords(view().sample("battery.voltage")), "7.40 V");
  for (const rate of [10, 0])
    assert.equal(sampleWords(view({ rx: 32, rate }).sample("battery.voltage")), "unknown; 7.40 V, 12 s ago");
  assert.equal(sampleWords(view({ rx: 22, station: 2 }).sample("battery.voltage")), "unknown; 7.40 V, 2.0 s ago");
  assert.equal(sampleWords(view({ rows: [] }).sample("battery.voltage")), "\u2013\u2013");
});

test("no alarm is only said while somebody would tell of one", () => {
  const raised = entry(0, 18, "alarm", "hot", { state: "raised" }, "too hot", "warning");
  const told = (shown) => alarmsNow(shown.silence, shown.alarms());
  assert.equal(told(view()).count, "None");
  assert.equal(told(view({ rx: 32, station: 12 })).count, "Unknown");
  assert.equal(told(view({ rx: 32, station: 12 })).words, "not known for 12 s: the station is silent");
  assert.match(told(view({ rx: 32, station: 12, journal: [raised] })).words, /silent . 1 stood then: too hot$/);
  assert.equal(told(view({ rx: 32 })).count, "Unknown");
  assert.deepEqual(told(view({ rx: 32, journal: [raised] })), { count: "1", words: "too hot", tone: "warning" });
  assert.equal(silentAlarms(null, 0), "");
  const station = { who: "station", for_s: 12 };
  assert.equal(silentAlarms(station, 0), "Not known for 12 s: the station is silent.");
  assert.equal(silentAlarms(station, 2), "Not known for 12 s: the station is silent. What follows stood then.");
  const vehicle = { who: "vehicle", for_s: 12 };
  assert.equal(silentAlarms(vehicle, 1), "Other alarms: not known for 12 s: the vehicle is silent.");
  assert.equal(notKnown({ who: "vehicle", for_s: Infinity }), "not known: the vehicle is not heard");
});

test("what lasts goes on lasting while nothing is heard: the station's clock counts", () => {
  const journal = [
    entry(0, 20, "alarm", "lost", { state: "raised", since_t: 18 }, "lost", "warning"),
    entry(1, 20, "cable", "servo", { open: true, since_t: 18 }),
  ];
  const shown = view({ rx: 60, journal });
  assert.equal(sinceWords(shown, shown.alarms()[0]), "for 0:42");
  assert.deepEqual(connectorWords(shown), ["unknown, OPEN 40 s ago", "stale"]);
});

test("that it fired is a fact, unless it still conducts or was armed when last heard", () => {
  const flag = (value, stale = true) => ({ value, stale });
  const state = (fired, armed, continuity) =>
    channelState({ fired: flag(fired), armed: flag(armed), continuity: flag(continuity) }).state;
  assert.equal(state(1, 0, 0), "fired");
  assert.equal(state(1, 0, 1), "unknown");
  assert.equal(state(1, 1, 0), "unknown");
  assert.equal(state(0, 0, 0), "unknown");
});

test("safe all says what it can still do", () => {
  const of = (shown, page = {}) => safeAllNow(shown, { ...shown.page, ...page });
  assert.deepEqual(of(view()), { able: true, note: "Shift + Esc", tone: "ready", sentence: "" });
  const blind = of(view({ rx: 32 }));
  assert.deepEqual([blind.able, blind.tone, blind.note], [true, "ready", "sent blind, nothing confirms it"]);
  assert.match(blind.sentence, /sent blind, every 0\.8 s until it answers, and nothing confirms it.*by hand/);
  const gone = of(view({ rx: 32, station: 12 }), { desk: { open: false } });
  assert.deepEqual([gone.able, gone.tone, gone.note], [false, "gone", "nothing can be sent"]);
  assert.match(gone.sentence, /does not answer.*keep clear.*safing key.*range safety officer decides/);
  assert.equal(
    of(view({ rx: 32, station: 12 })).able,
    true,
    "while the desk's connection stands a press still goes out",
  );
  const body = { command: "safe_all", state: "sent", sends: 7, title: "Safe all" };
  const pressed = view({ rx: 32, journal: [entry(0, 31, "command", "1", body)] });
  assert.equal(of(pressed).note, "sent blind 7 times, not confirmed");
  const done = view({ journal: [entry(0, 19, "command", "1", { ...body, state: "verified" })] });
  assert.equal(of(done).note, "verified safe, now the key");
  assert.match(of(done).sentence, /^verified safe.*pull the arming key on the ground/);
  assert.match(of(pressed).sentence, /nothing confirms it.*safing key/);
  assert.equal(of(view(), { mode: "replay" }).note, "not in a replay");
  assert.equal(of(view({ rx: 32 }), { desk: null }).note, "view only");
});

const line = (standing, more = {}) => ({ standing, value: "", since_rx: 1, lost: false, by: "", at: "", ...more });
const item = (name, roles) => ({ name, title: name, automatic: true, bound: "b", roles, comparison: "at_least" });
const sheet = (...more) => [
  entry(0, 1, "pad_sheet", "definition", {
    title: "Sheet",
    groups: [
      {
        title: "G",
        items: [
          item("battery", ["battery.voltage"]),
          item("wind", ["site.wind"]),
          { name: "key", title: "key", automatic: false, bound: "", roles: [] },
        ],
      },
    ],
  }),
  entry(1, 1, "pad_sheet", "sheet", { state: "open", round: 1, why: "" }),
  entry(2, 5, "pad_sheet", "item battery", line("met")),
  entry(3, 5, "pad_sheet", "item wind", line("met")),
  entry(4, 5, "pad_sheet", "item key", line("met", { by: "Ada 1" })),
  ...more,
];

test("what the station looks at itself is unknown without it; a paper's number and a person's tick stay", () => {
  const said = (options) => sheetNow(view(options)).lines.map(standingWords);
  assert.deepEqual(said({ journal: sheet() }), ["met", "met", "met"]);
  assert.deepEqual(said({ journal: sheet(), rx: 32, station: 12 }), ["unknown, met 12 s ago", "met", "met"]);
  assert.equal(summaryOf(sheetNow(view({ journal: sheet(), rx: 32, station: 12 })).lines), "1 unknown of 3");
  const closed = entry(5, 6, "pad_sheet", "sheet", { state: "closed", round: 1, why: "" });
  assert.equal(said({ journal: sheet(closed), rx: 32, station: 12 })[0], "met", "what stood at lift-off is a fact");
});

test("a line that became unknown says what it was, however often that was noted", () => {
  const lost = [21, 22].map((rx, i) => entry(5 + i, rx, "pad_sheet", "item battery", line("unknown", { lost: true })));
  const said = (...more) => standingWords(sheetNow(view({ journal: sheet(...more), rx: 33, station: 3 })).lines[0]);
  assert.equal(said(...lost), "unknown, met 12 s ago");
  assert.equal(said(entry(5, 20, "pad_sheet", "item battery", line("not met"))), "unknown, NOT met 3.0 s ago");
  const never = sheet().map((one) => (one.key === "item battery" ? { ...one, body: line("unknown") } : one));
  assert.equal(standingWords(sheetNow(view({ journal: never, rx: 33 })).lines[0]), "unknown");
});

test("the headline is the station's estimate with its radius; the point heard comes second, with its height", () => {
  const estimate = (basis, radius) => ({
    whereabouts_basis: basis,
    whereabouts_distance_m: 26,
    whereabouts_bearing_deg: 66,
    whereabouts_radius_m: radius,
  });
  const figure = (body) => entry(1, 19, "figure", "recovery", body);
  const liftOff = entry(0, 10, "phase", "ground", { phase: "boost", flying: true });
  const told = (journal) => {
    const shown = view({ rx: 60, journal });
    const best = bestPlace(shown);
    return [Math.round(best.distance), placeWords(shown, best), lastPointWords(shown)];
  };
  const last = "Last heard 5 m, 037\u00b0 NE, 56 m up, 40 s ago";
  assert.deepEqual(told([liftOff, figure(estimate("forecast", 66))]), [
    26,
    "Predicted landing, within 66 m (95\u00a0%)",
    last,
  ]);
  assert.deepEqual(told([liftOff, figure(estimate("landed", 7))]).slice(0, 2), [
    26,
    "Lies there, within 7 m (95\u00a0%); position heard 40 s ago",
  ]);
  for (const journal of [[liftOff], [liftOff, figure(estimate("last", null))]])
    assert.deepEqual(told(journal).slice(0, 2), [
      5,
      "Last point heard, 56 m up in the air, 40 s ago; where it lands is not known",
    ]);
  assert.equal(told([])[1], "3 m east, 4 m north; position heard 40 s ago");
  assert.equal(placeWords(view({ rows: [] }), bestPlace(view({ rows: [] }))), "No position heard yet");
});
