// The status line: always on top, readable at two metres. Words beside every color.

import { dangers } from "../kit/dangers.js";
import { h, setAttr, setHidden, setText, setTone } from "../kit/dom.js";
import {
  age,
  bytes,
  duration,
  fixed,
  lengthText,
  limitState,
  NOTHING,
  sentence,
  tClock,
  tClockExact,
  valueText,
  withSigns,
} from "../kit/format.js";
import { heardAgo, notKnown, wasAgo } from "../kit/silence_words.js";
import { alarmWords } from "../session/alarms.js";
import { countNow, countText } from "../session/count.js";
import { phasesDiffer } from "../session/phases.js";
import { showSafeAll } from "./safe_all.js";

const LATE_S = 2; // what arrives later than this is not to be decided on (the station's FRESH_S)
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
    " ",
    safeNote,
  );
  el.append(safe);

  const show = (id, value, note, tone, recorded) => {
    const isPast = recorded && id !== "recording"; // that one says it by itself
    setText(cells[id].label, isPast ? `${cells[id].title}, recorded` : cells[id].title);
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
    /** Whether the count of alarms stands out. */
    get alarmed() {
      return cells.alarms.cell.dataset.tone !== "none";
    },
    /** Say at the count of alarms whether their list is open. */
    alarmsShown: (open) => setAttr(cells.alarms.cell, "aria-expanded", String(open)),
    /** @param {object} view what the page shows  @param {object|undefined} live the live session beside a replay */
    update(view, live) {
      for (const [id, rule] of Object.entries(rules)) {
        const [value, note = "", tone = "none", hidden] = rule(view);
        setHidden(cells[id].cell, Boolean(hidden));
        show(id, value, note, tone, Boolean(view.page.replay));
      }
      showSafeAll(safe, safeNote, view.page.replay ? live : view, view.page);
    },
  };
}

function showLink(view) {
  const body = view.state("link", "port")?.body ?? {};
  const heard = view.store.lastHeard(view.rxLimit);
  const quiet = heard === undefined ? Infinity : view.cursor.rx - heard;
  const since = heard === undefined ? "nothing heard yet" : `${age(quiet)} ago`;
  if (view.silence?.who === "station") return ["No station", since, "warning"];
  if (body.state && body.state !== "up" && body.state !== "silent") {
    return [
      LINK_WORDS[body.state] ?? body.state,
      body.sentence ?? since,
      body.state === "waiting" ? "caution" : "warning",
    ];
  }
  if (view.silence)
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
  if (view.silence && (ground || vehicle)) return phaseInSilence(view, ground ?? vehicle);
  if (!ground && !vehicle) return [NOTHING, "", "none"];
  if (ground && vehicle && ground !== vehicle)
    return [sentence(ground), `vehicle says ${vehicle}`, phasesDiffer(ground, vehicle) ? "caution" : "none"];
  return [sentence(ground ?? vehicle), ground ? "" : "vehicle's own word", "none"];
}

// That it has landed is a fact, and stays one; every other phase may be over.
function phaseInSilence(view, phase) {
  const seconds = view.cursor.rx - view.store.lastHeard(view.rxLimit);
  if (view.moment("landing") && phase === "landed") return ["Landed", heardAgo(seconds), "none"];
  return ["Unknown", wasAgo(phase, seconds), "stale"];
}

function showClock(view) {
  const count = countNow(view);
  const counted = count?.inUse ? (count.known ? countText(count.seconds) : "T ?") : "";
  if (!view.cursor.live) return recordedClock(view, counted && `count ${counted}`);
  if (counted) return [counted, countNote(count), count.state === "unknown" ? "stale" : "none"];
  const liftOff = view.moment("lift_off");
  const stopped = Number.isFinite(view.silence?.for_s);
  const on = `vehicle on ${duration(vehicleOnFor(view))}`;
  if (!liftOff) return [`T ${NOTHING}`, stopped ? `${on} when last heard` : on, stopped ? "stale" : "none"];
  return [tClock(view.cursor.t - liftOff.t), stopped ? "when last heard" : "from lift-off", stopped ? "stale" : "none"];
}

function recordedClock(view, counted) {
  const from = view.store.journal.state("moment", "lift_off") ? "from lift-off" : "from its beginning";
  return [replayClock(view), counted || from, "none"];
}

function countNote({ state, known, late, why, delay_s }) {
  if (state === "unknown") return `count unknown: ${why}`;
  if (!known && late) return delay_s === null ? "count: delay unknown" : `count hidden: delay ${fixed(delay_s, 1)} s`;
  return `${state === "held" ? "count HELD" : "count"}, delay ${fixed(delay_s, 1)} s`;
}

/** Seconds since the vehicle was last started, as far as the station has seen its starts. */
export function vehicleOnFor(view) {
  return view.cursor.t - (view.state("restart", "vehicle")?.t ?? 0);
}

/**
 * The clock of a recording, the same in the status line and in the replay bar: from its lift-off, or from its
 * beginning. At rest the bar tells it to the millisecond, since packets lie closer together than tenths.
 */
export function replayClock(view, exact = false) {
  const zero = view.store.journal.state("moment", "lift_off")?.body?.t;
  if (zero === undefined) return `${fixed(view.cursor.t, exact ? 3 : 1)} s`;
  return exact ? tClockExact(view.cursor.t - zero) : tClock(view.cursor.t - zero);
}

function showHeight(view) {
  const role = ["ground.height", "position.up", "altitude_baro"].find((name) => view.tells(name));
  const sample = role && view.sample(role);
  if (!sample) return [NOTHING, "", "none", true];
  const meters = lengthText(sample.value);
  if (isLost(sample)) return ["Unknown", wasAgo(meters, sample.age), "stale"];
  return [meters, "above pad", toneOfNumber(sample.value)];
}

function showBattery(view) {
  const sample = view.sample("battery.voltage");
  if (!sample) return [NOTHING, "", "none", true];
  const limit = limitState(sample.column, sample.value);
  const word = { warning: "low or failed", caution: "outside normal" }[limit] ?? "";
  const volts = `${valueText(sample.column, sample.value)} V`;
  if (isLost(sample)) return ["Unknown", wasAgo(volts, sample.age), limit || "stale"];
  return [volts, word, limit || "none"];
}

function showRecording(view) {
  const body = (view.cursor.live && view.page.beat?.recording) || view.states("recording").pop()?.body;
  if (!body) return view.cursor.live ? [NOTHING, "", "none"] : ["Ended", "", "none"];
  if (view.silence?.who === "station")
    return ["Unknown", wasAgo(body.state === "recording" ? "on" : body.state, view.silence.for_s), "warning"];
  if (body.state === "recording") return ["On", body.bytes ? bytes(body.bytes) : "", "none"];
  return [view.cursor.live ? "OFF" : "Ended", body.sentence ?? "", view.cursor.live ? "warning" : "none"];
}

// What is armed or released near people comes first, on every place; the worst alarm nobody has seen follows.
function showAlarms(view) {
  const alarms = view.alarms();
  const danger = dangers(view);
  const { count, words, tone: worst } = alarmsNow(view.silence, alarms);
  const state = danger.armed ? "ARMED" : danger.released ? "RELEASED" : "";
  const value = [state, state && count === "None" ? "" : count].filter(Boolean).join(", ");
  const released = danger.released ? (danger.armed ? "board RELEASED" : "firing board") : "";
  const note = [danger.armed, released, state && view.silence && "as last heard", words]
    .filter(Boolean)
    .join(" \u00b7 ");
  const tone = state && ["none", "stale"].includes(worst) ? "caution" : worst;
  return [value, note, tone];
}

/** The alarms as the status line says them: without the station nobody knows any, without the vehicle not its own. */
export function alarmsNow(silence, alarms) {
  const found = alarmWords(alarms);
  const known = { ...found, words: withSigns(found.words) };
  if (silence?.who === "station") {
    const then = alarms.length ? `${alarms.length} stood then: ${known.words}` : "";
    return { count: "Unknown", words: [notKnown(silence), then].filter(Boolean).join(" \u00b7 "), tone: "warning" };
  }
  if (silence && !alarms.length) return { count: "Unknown", words: notKnown(silence), tone: "stale" };
  return known;
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
  const { silence } = view;
  const { count, words: told } = alarmsNow(silence, alarms);
  const quiet = `nothing armed or released, as last heard${silence ? ": treat as armed" : ""}`;
  const words = [
    `link ${link.toLowerCase()}, ${heard}`,
    vehicle ? vehicle + (silence ? " as last heard" : "") : quiet,
    count === "None" ? "no alarms" : `alarms ${count}: ${told}`,
  ];
  return {
    text: `Live now: ${words.join(" \u00b7 ")}`,
    tone: bad || alarms.length || link !== "Up" ? "caution" : "none",
  };
}

/** Was it known, and is it not any more? */
const isLost = ({ stale, value }) => stale && value !== undefined;

function toneOfNumber(value) {
  return typeof value === "number" && !Number.isFinite(value) ? "warning" : "none";
}
