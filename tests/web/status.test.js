// What the status line says of dangers, of a recording, and of the live session beside it.

import assert from "node:assert/strict";
import { test } from "node:test";
import { replayWords } from "../../web/frame/banners.js";
import { liveLine, replayClock, vehicleOnFor } from "../../web/frame/status_line.js";
import { dangers } from "../../web/kit/dangers.js";
import { Store } from "../../web/session/store.js";
import { View } from "../../web/session/view.js";
import { entry } from "./make.js";

const flag = (name, role) => ({ name, channel: `board.${name}`, kind: "flag", unit: "1", role });
const DICTIONARY = {
  name: "made",
  vehicle: "Made",
  commands: [],
  tables: [
    {
      name: "board",
      title: "Board",
      rate_hz: 5,
      columns: [flag("inhibited", "board.inhibited"), flag("armed", "channel[1].armed")],
    },
  ],
};

function view(rows, journal = [], cursor = { rx: 20, t: 20, live: true }) {
  const store = new Store(DICTIONARY);
  store.update({ from: { board: 0 }, rows: { board: rows }, journal, rx_now: 20, t_now: 20 });
  return new View(store, cursor, { replay: null, silentSince: null });
}

const up = entry(0, 1, "link", "port", { state: "up" });

test("a released board and an armed channel are said, with how long telemetry has said armed", () => {
  assert.deepEqual(dangers(view([[19, 19, 1, 0]])), { armed: "", since: "", released: false });
  assert.deepEqual(dangers(view([[19, 19, 0, 0]])), { armed: "", since: "", released: true });
  const armed = dangers(
    view([
      [14, 14, 0, 0],
      [15, 15, 0, 1],
      [19, 19, 0, 1],
    ]),
  );
  assert.deepEqual(armed, { armed: "motor 1", since: "5.0 s", released: true });
});

test("in flight an armed channel is as it should be", () => {
  const during = (phase, flying) =>
    dangers(view([[19, 19, 0, 1]], [entry(0, 10, "phase", "ground", { phase, flying })]));
  assert.equal(during("boost", true).armed, "");
  assert.equal(during("landed", false).armed, "motor 1");
  assert.equal(during("boost", undefined).armed, "motor 1", "what is not told is no flight");
});

test("a downlink that lags is said with how old what it brings is, live and in a recording", () => {
  const raised = entry(1, 15, "alarm", "downlink lag", { state: "raised", lag_s: 30 }, "the downlink lags", "warning");
  const live = view([[19.5, 19.5, 1, 0]], [up, raised]);
  assert.match(liveLine(live).text, /^Live now: link late, 0\.5 s ago, 31 s old/);
  live.page.beat = { link: { lag_s: 0.1 } };
  assert.match(liveLine(live).text, /^Live now: link up, 0\.5 s ago/);
  const recorded = view([[19.5, 19.5, 1, 0]], [up, raised], { rx: 20, t: 20, live: false });
  assert.match(liveLine(recorded).text, /link late/);
});

test("beside a recording the live vehicle is told in one line: link, dangers, alarms", () => {
  const quiet = liveLine(view([[19.5, 19.5, 1, 0]], [up]));
  assert.equal(
    quiet.text,
    "Live now: link up, 0.5 s ago \u00b7 nothing armed or released, as last heard \u00b7 no alarms",
  );
  assert.equal(quiet.tone, "none");
  const bad = liveLine(
    view([[10, 10, 0, 1]], [up, entry(1, 13, "alarm", "a", { state: "raised" }, "too hot", "warning")]),
  );
  assert.match(bad.text, /link silent, 10 s ago .* ARMED: motor 1, for 10 s .* board RELEASED .* alarms 1: too hot/);
  assert.equal(bad.tone, "caution");
});

test("the clock of a recording counts from its lift-off, also before it", () => {
  const at = (t, journal) => replayClock(view([[1, 1, 1, 0]], journal, { rx: t, t, live: false }));
  assert.equal(at(8, [entry(0, 10, "moment", "lift_off", { t: 10 })]), "T\u221200:02.0");
  assert.equal(at(8, []), "8.0 s");
});

test("the vehicle is on since its last start", () => {
  assert.equal(vehicleOnFor(view([])), 20);
  assert.equal(
    vehicleOnFor(view([], [entry(0, 12, "restart", "vehicle", {}), entry(1, 15, "restart", "vehicle", {})])),
    5,
  );
});

test("a replay says what it can reach", () => {
  assert.equal(replayWords("replay", null), "nothing can be transmitted.");
  assert.match(replayWords("live", { open: true }), /Safe all still reaches the live vehicle/);
  assert.doesNotMatch(replayWords("live", null), /Safe all/);
});
