// The status line: always on top, readable at two metres. Words beside every color.

import { dangers } from "../kit/dangers.js";
import { h, setAttr, setHidden, setText, setTone } from "../kit/dom.js";
import { age, bytes, duration, fixed, limitState, NOTHING, sentence, tClock, valueText } from "../kit/format.js";
import { alarmWords } from "../session/alarms.js";
import { COMMAND_STATES, shortWords } from "../session/messages.js";
import { phasesDiffer } from "../session/phases.js";
import { safeAllCommand } from "../session/roles.js";

const SILENT_AGE_S = 2;
const LATE_S = 2; // what arrives later than this is not to be decided on (the station's FRESH_S)
const SAFE_SHOWN_S = 15;
const LINK_WORDS = {
  waiting: "Waiting",
  up: "Up",
  silent: "Silent",
  closed: "Closed",
  missing: "No port",
  busy: "Port busy",
  denied: "Port denied",
};

export function StatusLine(el, acts) {
  const cells = {};
  for (const [id, title] of [
    ["link", "Link"],
    ["phase", "Phase"],
    ["clock", "Clock"],
    ["height", "Height"],
    ["battery", "Battery"],
    ["recording", "Recording"],
    ["alarms", "Alarms"],
  ]) {
    const value = h("span", { class: "value", testid: `status-${id}` });
    const note = h("span", { class: "note" });
    const label = h("span", { class: "label" });
    const cell =
      id === "alarms"
        ? h(
            "button",
            {
              type: "button",
              class: `cell -${id}`,
              "aria-controls": "alarms",
              "aria-expanded": "false",
              title: "Show the alarms (A)",
              testid: "alarms-open",
              on: { click: () => acts.showAlarms() },
            },
            label,
            value,
            note,
          )
        : h("div", { class: `cell -${id}` }, label, value, note);
    cells[id] = { cell, value, note, label, title };
    el.append(cell);
  }
  const safeNote = h("span", { class: "note" });
  const safe = h(
    "button",
    { class: "safe-all", type: "button", testid: "safe-all", on: { click: () => acts.safeAll() } },
    h("span", { class: "word", text: "Safe all" }),
    safeNote,
  );
  el.append(safe);

  const show = (id, value, note, tone, recorded) => {
    setText(cells[id].label, recorded ? `${cells[id].title}, recorded` : cells[id].title);
    setText(cells[id].value, value);
    setText(cells[id].note, note);
    setAttr(cells[id].note, "title", note || null);
    setTone(cells[id].cell, tone);
  };

  const rules = {
    link: showLink,
    phase: showPhase,
    clock: showClock,
    height: showHeight,
    battery: showBattery,
    recording: showRecording,
    alarms: showAlarms,
  };
  return {
    /** Say at the count of alarms whether their list is open. */
    alarmsShown: (open) => setAttr(cells.alarms.cell, "aria-expanded", String(open)),
    /** @param {object} view what the page shows  @param {object|undefined} live the live session beside a replay */
    update(view, live) {
      for (const [id, rule] of Object.entries(rules)) {
        const [value, note = "", tone = "none", hidden] = rule(view);
        setHidden(cells[id].cell, Boolean(hidden));
        show(id, value, note, tone, Boolean(view.page.replay));
      }
      showSafe(view.page.replay ? live : view, view.page, safe, safeNote);
    },
  };
}

function showLink(view) {
  const body = view.state("link", "port")?.body ?? {};
  const heard = view.store.lastHeard(view.rxLimit);
  const quiet = heard === undefined ? Infinity : view.cursor.rx - heard;
  const since = heard === undefined ? "nothing heard yet" : `${age(quiet)} ago`;
  if (view.page.silentSince !== null && view.cursor.live) return ["No station", since, "warning"];
  if (body.state && body.state !== "up" && body.state !== "silent") {
    return [
      LINK_WORDS[body.state] ?? body.state,
      body.sentence ?? since,
      body.state === "waiting" ? "caution" : "warning",
    ];
  }
  if (quiet > SILENT_AGE_S)
    return [heard === undefined ? "Waiting" : "Silent", since, heard === undefined ? "caution" : "warning"];
  const lag = lagOf(view);
  if (lag > LATE_S) return ["Late", `${since}, ${age(quiet + lag)} old`, "warning"];
  return ["Up", since, "none"];
}

/** How late (s) what arrives is: live as the station last said, in a recording as its alarm said. */
function lagOf(view) {
  const told = view.state("alarm", "downlink lag")?.body;
  const live = view.cursor.live ? view.page.beat?.link?.lag_s : undefined;
  return live ?? (told?.state === "raised" ? told.lag_s : 0);
}

function showPhase(view) {
  const ground = view.state("phase", "ground")?.body?.phase;
  const vehicle = view.word("vehicle_phase") ?? view.state("phase", "vehicle")?.body?.phase;
  if (!ground && !vehicle) return [NOTHING, "", "none"];
  if (ground && vehicle && ground !== vehicle)
    return [sentence(ground), `vehicle says ${vehicle}`, phasesDiffer(ground, vehicle) ? "caution" : "none"];
  return [sentence(ground ?? vehicle), ground ? "" : "vehicle's own word", "none"];
}

function showClock(view) {
  const liftOff = view.moment("lift_off");
  const heard = view.store.lastHeard(view.rxLimit);
  const stopped = view.cursor.live && heard !== undefined && view.cursor.rx - heard > SILENT_AGE_S;
  if (!view.cursor.live)
    return [
      replayClock(view),
      view.store.journal.state("moment", "lift_off") ? "from lift-off" : "from its beginning",
      "none",
    ];
  if (!liftOff) return [`T ${NOTHING}`, `vehicle on ${duration(vehicleOnFor(view))}`, stopped ? "stale" : "none"];
  return [tClock(view.cursor.t - liftOff.t), stopped ? "when last heard" : "from lift-off", stopped ? "stale" : "none"];
}

/** Seconds since the vehicle was last started, as far as the station has seen its starts. */
export function vehicleOnFor(view) {
  return view.cursor.t - (view.state("restart", "vehicle")?.t ?? 0);
}

/**
 * The clock of a recording, the same in the status line and in the replay bar: from its lift-off, or from its
 * beginning.
 */
export function replayClock(view) {
  const zero = view.store.journal.state("moment", "lift_off")?.body?.t;
  return zero === undefined ? `${fixed(view.cursor.t, 1)} s` : tClock(view.cursor.t - zero);
}

function showHeight(view) {
  const sample = view.sample("ground.height") ?? view.sample("position.up") ?? view.sample("altitude_baro");
  if (!sample) return [NOTHING, "", "none", true];
  return [
    `${fixed(sample.value, 0)} m`,
    sample.stale ? "last known" : "above pad",
    sample.stale ? "stale" : toneOfNumber(sample.value),
  ];
}

function showBattery(view) {
  const sample = view.sample("battery.voltage");
  if (!sample) return [NOTHING, "", "none", true];
  const limit = limitState(sample.column, sample.value);
  const word = { warning: "low or failed", caution: "outside normal" }[limit] ?? "";
  return [
    `${valueText(sample.column, sample.value)} V`,
    sample.stale ? `${age(sample.age)} old` : word,
    limit || (sample.stale ? "stale" : "none"),
  ];
}

function showRecording(view) {
  const body = (view.cursor.live && view.page.beat?.recording) || view.states("recording").pop()?.body;
  if (!body) return [NOTHING, "", "none"];
  if (view.cursor.live && view.page.silentSince !== null) return ["Unknown", "station silent", "warning"];
  if (body.state === "recording") return ["On", body.bytes ? bytes(body.bytes) : "", "none"];
  return [view.cursor.live ? "OFF" : "Ended", body.sentence ?? "", view.cursor.live ? "warning" : "none"];
}

// What is armed or released near people comes first, on every place; the worst alarm nobody has seen follows.
function showAlarms(view) {
  const alarms = view.alarms();
  const danger = dangers(view);
  const { count, words, tone: worst } = alarmWords(alarms);
  const state = danger.armed ? "ARMED" : danger.released ? "RELEASED" : "";
  const value = [state, state && !alarms.length ? "" : count].filter(Boolean).join(", ");
  const released = danger.released ? (danger.armed ? "board RELEASED" : "firing board") : "";
  const note = [danger.armed, released, words].filter(Boolean).join(" \u00b7 ");
  const tone = worst === "none" && state ? "caution" : worst;
  return [value, note, tone];
}

/** The live session in one line, for whoever looks at a recording while the vehicle stands on the pad. */
export function liveLine(view) {
  const [link, heard] = showLink(view);
  const danger = dangers(view);
  const alarms = view.alarms();
  const bad = Boolean(danger.armed || danger.released);
  const vehicle = [danger.armed && `ARMED: ${danger.armed}, for ${danger.since}`, danger.released && "board RELEASED"]
    .filter(Boolean)
    .join(" \u00b7 ");
  const words = [
    `link ${link.toLowerCase()}, ${heard}`,
    vehicle || "nothing armed or released, as last heard",
    alarms.length ? `alarms ${alarms.length}: ${alarmWords(alarms).words}` : "no alarms",
  ];
  return {
    text: `Live now: ${words.join(" \u00b7 ")}`,
    tone: bad || alarms.length || link !== "Up" ? "caution" : "none",
  };
}

// Safe all always speaks to the live vehicle: `live` is the live session, also while a recording is shown.
function showSafe(live, { desk, replay, mode }, button, note) {
  const command = live && safeAllCommand(live.store.dictionary);
  setAttr(button, "disabled", !(desk?.open && command));
  let word = replay ? "reaches the live vehicle" : "Shift + Esc";
  let tone = "ready";
  if (mode === "replay") [word, tone] = ["not in a replay", "off"];
  else if (!desk) [word, tone] = ["view only", "off"];
  else if (!desk.open) [word, tone] = ["desk not connected", "off"];
  else if (!command) [word, tone] = ["not in dictionary", "off"];
  else {
    // Only while nothing else was asked for since: what came later may have undone it.
    const [latest] = live.commands();
    if (latest?.command === command.name && live.cursor.rx - latest.entry.rx < SAFE_SHOWN_S)
      [word, tone] = [shortState(latest), COMMAND_STATES[latest.state]?.tone ?? "busy"];
  }
  setText(note, word);
  setTone(button, tone);
  setAttr(button, "aria-label", `Safe all, ${word}`);
}

function shortState({ state, state_text }) {
  return state === "verified" ? "verified safe" : shortWords(state_text ?? state);
}

function toneOfNumber(value) {
  return typeof value === "number" && !Number.isFinite(value) ? "warning" : "none";
}
