// The replay bar: play, step, speed, scrub; at the bottom of every place while a session is reviewed.

import { builder, h, setAttr, setHidden, setText, syncList } from "../kit/dom.js";
import { sentence } from "../kit/format.js";
import { flightRange } from "../session/replay.js";
import { SPEEDS } from "../session/replay_clock.js";
import { replayClock } from "./status_line.js";

const WORDS = { lift_off: "Lift-off" };
const FIRST = ["lift_off", "apogee", "landing", "burnout", "deployment"];
const LETTER_PX = 7;
const BEFORE_S = 3;

/** Name of a moment for people: its key in words. */
function nameOf(key) {
  return WORDS[key] ?? sentence(key.replaceAll("_", " "));
}

/**
 * Which marks have room for their word beside them; the others keep their tick and their tooltip.
 * @param {{key:string, name:string, x:number}[]} marks x in pixels @returns {Set<string>} keys
 */
function worded(marks, width) {
  const rank = ({ key }) => FIRST.indexOf(key) + 1 || FIRST.length + 1;
  const taken = [];
  const keys = new Set();
  for (const mark of [...marks].sort((a, b) => rank(a) - rank(b) || a.x - b.x)) {
    const span = [mark.x, mark.x + 10 + LETTER_PX * mark.name.length];
    if (span[1] > width + 30 || taken.some(([a, b]) => span[0] < b && a < span[1])) continue;
    taken.push(span);
    keys.add(mark.key);
  }
  return keys;
}

/** Moments, marks and restarts as places on the timeline: {key, name, t}. */
function timelineMarks(view) {
  const { journal } = view.store;
  const moments = journal
    .states("moment")
    .map((entry) => ({ key: entry.key, name: nameOf(entry.key), t: entry.body?.t ?? entry.t }));
  const marks = journal.entries
    .filter(({ topic }) => topic === "mark" || topic === "restart")
    .map((entry) => ({
      key: `${entry.topic} ${entry.i}`,
      name: entry.text || `Boot ${entry.body?.boot_id ?? ""}`,
      t: entry.t,
    }));
  const findings = journal
    .states("finding")
    .map((entry) => ({ key: `finding ${entry.key}`, name: shortened(entry.text), t: entry.body?.t ?? entry.t }));
  const commands = journal.entries
    .filter(({ topic, body }) => topic === "command" && body?.state === "verified" && body.hazard !== "routine")
    .map((entry) => ({ key: `command ${entry.key}`, name: entry.body.title, t: entry.t }));
  return [...moments, ...marks, ...commands, ...findings].filter(({ t }) => Number.isFinite(t));
}

function shortened(text) {
  return text.length > 34 ? `${text.slice(0, 33)}\u2026` : text;
}

export function ReplayBar(el, acts) {
  const act = (label, text, run, testid) =>
    h("button", {
      type: "button",
      class: "bar-act",
      "aria-label": label,
      title: label,
      text,
      testid,
      on: { click: run },
    });
  const play = act("Play", "\u25b6", () => acts.replay("toggle"), "replay-play");
  const back = act("Step one packet back", "\u25c2\u2758", () => acts.replay("step", -1), "replay-back");
  const on = act("Step one packet forward", "\u2758\u25b8", () => acts.replay("step", 1), "replay-forward");
  const speed = h(
    "select",
    {
      "aria-label": "Replay speed",
      testid: "replay-speed",
      on: { change: () => acts.replay("speed", Number(speed.value)) },
    },
    ...SPEEDS.map((value) => h("option", { value: String(value), text: `${value}\u00d7` })),
  );
  const clock = h("span", { class: "bar-clock", testid: "replay-clock" });
  const marks = h("div", { class: "bar-marks" });
  const scrub = h("input", { type: "range", step: "any", "aria-label": "Place in the flight", testid: "replay-scrub" });
  for (const event of ["input", "change"])
    scrub.addEventListener(event, () => acts.replay("seek", Number(scrub.value)));
  const range = h("button", {
    type: "button",
    class: "bar-act -range",
    testid: "replay-range",
    on: { click: () => turnRange() },
  });
  // The ticks on the track can lie closer together than a finger is wide; the list reaches every moment.
  const list = h("select", {
    class: "bar-list",
    "aria-label": "Go to a moment",
    testid: "replay-moments",
    on: {
      change: () => {
        if (list.value !== "") acts.replay("seek", Number(list.value));
        list.value = "";
        list.blur();
      },
    },
  });
  const loop = h("button", {
    type: "button",
    class: "bar-act -range",
    testid: "replay-loop",
    title: "Loop a stretch (R)",
    on: { click: () => acts.replay("loop") },
  });
  el.append(back, play, on, speed, loop, clock, list, range, h("div", { class: "bar-track" }, marks, scrub));
  const once = builder();
  let flight;
  let session;
  let whole = true;
  let liftOff;
  // Asked for only when it can have changed: reading it lays the page out.
  let width = 0;
  window.addEventListener("resize", () => {
    width = 0;
  });

  // The track shows the flight or everything; leaving the flight shows everything, coming back goes to lift-off.
  function turnRange() {
    whole = !whole;
    if (!whole && !(last >= flight[0] && last <= flight[1]))
      acts.replay("seek", Math.max(flight[0], liftOff - BEFORE_S));
    acts.changed();
  }
  let last = NaN;

  function choose(view) {
    if (session !== view.store) {
      session = view.store;
      flight = flightRange(session);
      liftOff = session.journal.state("moment", "lift_off")?.body?.t;
      whole = !flight;
    }
    last = view.cursor.t;
    if (flight && !(last >= flight[0] && last <= flight[1])) whole = true;
    setHidden(range, !flight);
    setText(range, whole ? "All" : "Flight");
    setAttr(
      range,
      "aria-label",
      whole
        ? "The track shows the whole session; show the flight"
        : "The track shows the flight; show the whole session",
    );
    return whole ? session.tRange : flight;
  }

  function build(view, [start, end]) {
    setAttr(scrub, "min", start);
    setAttr(scrub, "max", end);
    list.replaceChildren(
      h("option", { value: "", text: "Go to\u2026" }),
      ...timelineMarks(view)
        .sort((a, b) => a.t - b.t)
        .map(({ name, t }) => h("option", { value: String(t), text: name })),
    );
    const all = timelineMarks(view).filter(({ t }) => t >= start && t <= end);
    const spoken = worded(
      all.map((mark) => ({ ...mark, x: ((mark.t - start) / Math.max(1e-9, end - start)) * width })),
      width,
    );
    syncList(
      marks,
      all,
      ({ key }) => `${view.store.session} ${start} ${end} ${key}`,
      ({ name, t }) => {
        const button = h(
          "button",
          {
            type: "button",
            class: "bar-mark",
            title: name,
            "aria-label": `Go to ${name}`,
            on: { click: () => acts.replay("seek", t) },
          },
          h("span", { text: name }),
        );
        button.style.left = `${(100 * (t - start)) / Math.max(1e-9, end - start)}%`;
        return button;
      },
      (button, { key }) => setHidden(button.firstChild, !spoken.has(key)),
    );
  }

  return {
    update(view) {
      const { replay } = view.page;
      setHidden(el, !replay);
      if (!replay) return;
      const shown = choose(view);
      if (width === 0) width = marks.clientWidth;
      once(`${view.store.session} ${view.store.version} ${width} ${shown}`, () => build(view, shown));
      const { clock: running } = replay;
      setText(play, running.playing ? "\u275a\u275a" : "\u25b6");
      setAttr(play, "aria-label", running.playing ? "Pause" : "Play");
      const looped = running.loop
        ? ["Looping", "End the loop"]
        : replay.loopFrom === undefined
          ? ["Loop", "Begin a loop here"]
          : ["to here", "Loop from the chosen moment to here"];
      setText(loop, looped[0]);
      setAttr(loop, "aria-label", looped[1]);
      if (speed.value !== String(running.speed)) speed.value = String(running.speed);
      if (Number(scrub.value) !== view.cursor.t) scrub.value = String(view.cursor.t);
      const words = replayClock(view);
      setText(clock, words);
      setAttr(scrub, "aria-valuetext", words);
    },
  };
}
