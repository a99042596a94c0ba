// The list of events: each once, by the latest that is said of it, in order of the moments, with whose word it is.

import assert from "node:assert/strict";
import test from "node:test";
import { eventLines } from "../../web/panels/watch/event_list.js";

let count = 0;
const entry = (topic, key, text, t, body = {}) => ({ i: count++, rx: t, t, topic, key, severity: "info", text, body });

// As the journal tells them: in order of arrival.
const TOLD = [
  entry("event", "e4", "burnout at 64 m, 70 m/s", 21.5),
  entry("moment", "burnout", "burnout at 64 m", 21.55, { t: 21.47, height_m: 64 }),
  entry("phase", "vehicle", "vehicle says: coast", 21.55, { phase: "coast" }),
  entry("moment", "burnout", "burnout at 60 ± 7 m", 22.05, { t: 21.45, height_m: 60 }),
  entry("moment", "deployment", "deployment commanded", 28.05, { t: 28.05, on: true }),
  entry("figure", "rail_exit", "left the rail at 17.7 m/s", 22.8, { t: 20.9 }),
  entry("moment", "control_enabled", "control enabled", 22.2, { t: 22.2, on: true }),
  entry("moment", "control_enabled", "control disabled", 26.5, { t: 26.5, on: false }),
];

test("the station's burnout is told once, by its latest word, and says whose word it is", () => {
  const lines = eventLines([...TOLD].reverse()).filter(({ text }) => text.includes("burnout"));
  assert.deepEqual(
    lines.map(({ text }) => text),
    ["Vehicle: burnout at 64 m, 70 m/s", "Ground: burnout at 60 ± 7 m"],
  );
});

test("events stand in order of their moments, newest first, and what is on and off again stays two", () => {
  assert.deepEqual(
    eventLines([...TOLD].reverse()).map(({ text }) => text),
    [
      "Vehicle: deployment commanded",
      "Vehicle: control disabled",
      "Vehicle: control enabled",
      "vehicle says: coast",
      "Vehicle: burnout at 64 m, 70 m/s",
      "Ground: burnout at 60 ± 7 m",
      "Ground: left the rail at 17.7 m/s",
    ],
  );
});
