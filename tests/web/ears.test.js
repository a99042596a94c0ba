import assert from "node:assert/strict";
import { test } from "node:test";

import { Caller } from "../../web/ears/caller.js";
import { AS_READ, callOf, METRIC } from "../../web/ears/calls.js";
import { Ears } from "../../web/ears/ears.js";
import { TONES } from "../../web/ears/mouth.js";
import { meaning } from "../../web/kit/keys.js";
import { setUnits } from "../../web/kit/units.js";
import { Journal } from "../../web/session/journal.js";

const entry = (topic, key, body, more = {}) => ({
  i: 0,
  rx: 10,
  t: 10,
  topic,
  key,
  severity: "info",
  text: "x",
  body,
  ...more,
});
const moment = (key, body, rx, i) => entry("moment", key, body, { rx, t: rx, i });
const unbraked = (state, rx, i) =>
  entry(
    "alarm",
    "unbraked",
    { state, height_m: 200 },
    { rx, t: rx, i, severity: state === "raised" ? "warning" : "info" },
  );

/** A mouth that keeps what it was asked for; `end()` ends what is spoken. */
function mouth() {
  const asked = [];
  let ended = () => {};
  return {
    asked,
    tones: [],
    tone(name) {
      this.tones.push(name);
    },
    speak(words, end) {
      asked.push(words);
      ended = end;
    },
    stop() {
      asked.push("(stopped)");
    },
    end: () => ended(),
  };
}

test("an entry is called in whole numbers, the number first, in the person's own measure", () => {
  const feet = { length: (m) => `${Math.round(m / 0.3048)} feet`, speed: (v) => `${Math.round(v / 0.44704)}` };
  assert.equal(callOf(entry("moment", "burnout", { height_m: 42.4 })).words, "42 up, thrust is over");
  assert.equal(callOf(entry("moment", "burnout", { height_m: 42.4 }), feet).words, "139 feet up, thrust is over");
  assert.equal(callOf(entry("figure", "rail_exit", { speed_m_s: 15.2 })).words, "15 off the rail");
  assert.equal(callOf(entry("progress", "sinking", { height_m: 80.2, climb_m_s: -6.1 })).words, "80 up, sinking 6");
  const walk = { whereabouts_basis: "landed", whereabouts_distance_m: 41.2, whereabouts_bearing_deg: 63.6 };
  const pond = {
    keep_out: [
      {
        name: "pond",
        points: [
          [10, 0],
          [30, 0],
          [30, 30],
          [10, 30],
        ],
      },
    ],
  };
  const said = callOf(entry("figure", "recovery", walk), METRIC, pond).words;
  assert.equal(said, "it lies 41, 0 6 4, not straight, ask the range officer", "nobody is sent into a keep-out");
  assert.equal(callOf(entry("figure", "recovery", walk)).words, "walk 41, 0 6 4");
  assert.equal(
    callOf(entry("figure", "recovery", { ...walk, whereabouts_bearing_deg: 359.7 })).words,
    "walk 41, 0 0 0",
  );
});

test("who reads in feet and miles per hour hears them", () => {
  setUnits("imperial");
  assert.equal(callOf(entry("moment", "burnout", { height_m: 42.4 }), AS_READ).words, "139 up, thrust is over");
  const sinking = entry("progress", "sinking", { height_m: 80, climb_m_s: -6 });
  assert.equal(callOf(sinking, AS_READ).words, "262 up, sinking 13");
  setUnits("metric");
  assert.deepEqual(callOf(sinking, AS_READ), callOf(sinking, METRIC));
});

test("a second motor is called as such, and a top that was none is taken back", () => {
  assert.equal(callOf(entry("moment", "ignition_2", { height_m: 300 })).words, "another motor burns");
  assert.equal(callOf(entry("moment", "burnout_2", { height_m: 512.2 })).words, "512 up, thrust is over");
  const wrong = { t: 9, height_m: 532, withdrawn: true };
  assert.equal(callOf(entry("moment", "apogee", wrong)).words, "that was not the top, it climbs on");
});

test("what is foretold, withdrawn, untold or no number is not called", () => {
  const walk = { whereabouts_basis: "forecast", whereabouts_distance_m: 41, whereabouts_bearing_deg: 64 };
  for (const silent of [
    entry("figure", "recovery", walk),
    entry("figure", "greatest_speed", { speed_m_s: 80 }),
    entry("moment", "burnout", { height_m: 42 }, { text: "" }),
    entry("progress", "sinking", { height_m: "nan", climb_m_s: -6 }),
    entry("moment", "deployment", { on: false }),
    entry("alarm", "lag", { state: "cleared" }),
  ])
    assert.equal(callOf(silent), null, JSON.stringify(silent));
});

test("every call has a tone that exists", () => {
  for (const one of [moment("lift_off", {}, 1, 0), moment("apogee", {}, 1, 0), unbraked("raised", 1, 0)])
    assert.ok(TONES[callOf(one).tone], one.key);
});

test("of what waits the highest rank is spoken first, then the newest, and nothing that has become old", () => {
  const voice = mouth();
  const caller = new Caller(voice);
  caller.offer(callOf(moment("lift_off", {}, 10, 0)), 10);
  caller.offer(callOf(entry("progress", "leaning", { tilt_rad: 0.4 }, { rx: 10.1 })), 10.1);
  caller.offer(callOf(moment("burnout", { height_m: 40 }, 10.2, 1)), 10.2);
  caller.offer(callOf(moment("apogee", { height_m: 90 }, 10.3, 2)), 10.3);
  assert.deepEqual(voice.asked, ["lift-off"]);
  voice.end();
  caller.pump(11.5);
  voice.end();
  caller.pump(13);
  voice.end();
  caller.pump(14);
  assert.deepEqual(voice.asked, ["lift-off", "top, 90", "40 up, thrust is over"]);
  assert.deepEqual(
    caller.log.map(({ words, what }) => `${what}: ${words}`),
    ["said: lift-off", "old: leaning 23", "said: top, 90", "said: 40 up, thrust is over"],
  );
});

test("the unbraked fall takes the word from any call, comes again while it stands, and no mute key silences it", () => {
  const voice = mouth();
  const caller = new Caller(voice);
  caller.offer(callOf(moment("apogee", { height_m: 300 }, 10, 0)), 10);
  caller.offer(callOf(unbraked("raised", 10.5, 1)), 10.5);
  assert.deepEqual(voice.asked, ["top, 300", "(stopped)", "heads up! It falls unbraked, 200 up"]);
  caller.muted = true;
  voice.end();
  caller.pump(13);
  caller.offer(callOf(moment("separation", { on: true }, 13, 2)), 13);
  assert.equal(voice.asked.length, 3);
  caller.pump(14.6);
  assert.equal(voice.asked.length, 4);
  voice.end();
  caller.relieve();
  caller.pump(30);
  assert.equal(voice.asked.length, 4);
});

test("the same words are not said twice within a minute", () => {
  const voice = mouth();
  const caller = new Caller(voice);
  for (const rx of [10, 17]) {
    caller.offer(callOf(moment("landing", {}, rx, 0)), rx);
    voice.end();
  }
  assert.deepEqual(voice.asked, ["it has landed"]);
});

/** As much of a window as ears need; `spoken` keeps what its voice was asked for. */
function world({ kept = null, voices = [{ localService: true, lang: "en-GB" }] } = {}) {
  const listeners = {};
  const spoken = [];
  const store = new Map(kept ? [["blockhouse.sound", kept]] : []);
  const document = { hidden: false, title: "", addEventListener: (name, act) => (listeners[name] = act) };
  class SpeechSynthesisUtterance {
    constructor(text) {
      this.text = text;
    }
  }
  const speak = (utterance) => {
    spoken.push(utterance.text);
    utterance.onend();
  };
  return {
    spoken,
    document,
    navigator: {},
    localStorage: { getItem: (key) => store.get(key) ?? null, setItem: (key, value) => store.set(key, value) },
    speechSynthesis: { getVoices: () => voices, speak, cancel: () => spoken.push("(stopped)") },
    SpeechSynthesisUtterance,
    setTimeout: () => 0,
  };
}

function storeWith(...entries) {
  const journal = new Journal();
  journal.add(entries);
  return { journal };
}

test("live, what was there when the page came is history; what comes is called, with the tab in front or not", () => {
  const there = world();
  const ears = new Ears(there, () => {});
  const store = storeWith(moment("lift_off", { t: 10 }, 10, 0));
  ears.live(store, 10.1);
  store.journal.add([moment("burnout", { height_m: 42 }, 11.5, 1)]);
  ears.live(store, 11.6);
  ears.live(store, 11.7);
  assert.deepEqual(there.spoken, ["42 up, thrust is over"]);
});

test("a call that reaches the page late is not spoken", () => {
  const there = world();
  const ears = new Ears(there, () => {});
  const store = storeWith();
  ears.live(store, 10);
  store.journal.add([entry("progress", "sinking", { height_m: 80, climb_m_s: -6 }, { rx: 11, i: 0 })]);
  ears.live(store, 12.2);
  assert.deepEqual(there.spoken, []);
  assert.equal(ears.caller.log[0].what, "old");
});

test("a replay at its own speed says so with every call; one that jumps, stands or runs faster is silent", () => {
  const there = world();
  const ears = new Ears(there, () => {});
  const store = storeWith(moment("lift_off", {}, 10, 0), moment("burnout", { height_m: 42 }, 11.5, 1));
  ears.replay(store, 9.8, true);
  ears.replay(store, 10.1, true);
  assert.deepEqual(there.spoken, ["replay: lift-off"]);
  ears.replay(store, 11.0, false);
  ears.replay(store, 11.9, false);
  ears.replay(store, 9.0, true);
  ears.replay(store, 12.0, true);
  assert.deepEqual(there.spoken, ["replay: lift-off"]);
});

test("only a voice of this machine speaks, and muting is remembered", () => {
  const far = world({ voices: [{ localService: false, lang: "en-US" }] });
  const ears = new Ears(far, () => {});
  assert.equal(ears.mouth.voice, null);
  assert.match(ears.test(), /no voice of its own/);
  ears.toggle();
  assert.equal(new Ears({ ...far }, () => {}).muted, true);
  assert.equal(new Ears(world({ kept: "off" }), () => {}).muted, true);
});

test("M mutes from everywhere but a field", () => {
  assert.deepEqual(meaning({ key: "m" }, { replay: false }), ["sound"]);
  assert.equal(meaning({ key: "m", target: { tagName: "INPUT", type: "text" } }, { replay: false }), null);
});
