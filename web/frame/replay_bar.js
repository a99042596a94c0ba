// The replay bar: play, step, speed, scrub; at the bottom of every place while a session is reviewed.

import { boxOf, builder, h, setAttr, setHidden, setText, syncList } from "../kit/dom.js";
import { sentence, withSigns } from "../kit/format.js";
import { flightRange } from "../session/replay.js";
import { SPEEDS } from "../session/replay_clock.js";
import { replayClock } from "./status_line.js";

const WORDS = { lift_off: "Lift-off" };
const FIRST = ["lift_off", "apogee", "landing", "burnout", "deployment"];
const LETTER_PX = 7;
const TRACK_MARGIN_PX = 8; // beyond the last place of the track; what reaches further makes a phone scroll sideways
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
    if (span[1] > width + TRACK_MARGIN_PX || taken.some(([a, b]) => span[0] < b && a < span[1])) continue;
    taken.push(span);
    keys.add(mark.key);
  }
  return keys;
}

/** Moments, marks and restarts as places on the timeline: {key, name, t}. */
export function timelineMarks(view) {
  const { journal } = view.store;
  const moments = journal
    .states("moment")
    .map((entry) => ({ key: entry.key, name: nameOf(entry.key), t: entry.body?.t ?? entry.t }));
  const marks = journal.entries
    .filter(({ topic, text }) => topic === "mark" || (topic === "restart" && text)) // the first start is none
    .map((entry) => ({
      key: `${entry.topic} ${entry.i}`,
      name: entry.topic === "mark" ? entry.text : sentence(entry.text),
      t: entry.t,
    }));
  const findings = journal
    .states("finding")
    .filter((entry) => !entry.body?.withdrawn)
    .map((entry) => ({ key: `finding ${entry.key}`, name: shortened(entry.text), t: entry.body?.t ?? entry.t }));
  const commands = journal.entries
    .filter(({ topic, body }) => topic === "command" && body?.state === "verified" && body.hazard !== "routine")
    .map((entry) => ({ key: `command ${entry.key}`, name: entry.body.title, t: entry.t }));
  return [...moments, ...marks, ...commands, ...findings].filter(({ t }) => Number.isFinite(t));
}

function shortened(text) {
  const words = withSigns(text);
  return words.length > 34 ? `${words.slice(0, 33)}\u2026` : words;
}

/** The bar's elements; `on` holds what a person can do. */
function build(on) {
  const button = (testid, click, look, label, text) =>
    h("button", { type: "button", class: look, testid, "aria-label": label, title: label, text, on: { click } });
  const act = (testid, click, label, text) => button(testid, click, "bar-act", label, text);
  const looped = h("div", { class: "bar-looped", hidden: true });
  const marks = h("div", { class: "bar-marks" });
  const scrub = h("input", { type: "range", step: "any", "aria-label": "Place in the flight", testid: "replay-scrub" });
  for (const event of ["input", "change"]) scrub.addEventListener(event, () => on.seek(Number(scrub.value)));
  const speeds = SPEEDS.map((value) => h("option", { value: String(value), text: `${value}\u00d7` }));
  const speed = h("select", { "aria-label": "Replay speed", testid: "replay-speed" }, ...speeds);
  speed.addEventListener("change", () => on.speed(Number(speed.value)));
  // The ticks on the track can lie closer together than a finger is wide; the list reaches every moment.
  const list = h("select", { class: "bar-list", "aria-label": "Go to a moment", testid: "replay-moments" });
  list.addEventListener("change", () => {
    if (list.value !== "") on.seek(Number(list.value));
    list.value = "";
    list.blur();
  });
  const loop = button("replay-loop", on.loop, "bar-act -range");
  loop.title = "Loop a stretch (R)";
  return {
    back: act("replay-back", on.back, "Step one packet back", "\u25c2\u2758"),
    play: act("replay-play", on.play, "Play", "\u25b6"),
    forward: act("replay-forward", on.forward, "Step one packet forward", "\u2758\u25b8"),
    speed,
    loop,
    clock: h("span", { class: "bar-clock", testid: "replay-clock" }),
    list,
    range: button("replay-range", on.range, "bar-act -range"),
    track: h("div", { class: "bar-track" }, h("div", { class: "bar-marks -loop" }, looped), marks, scrub),
    looped,
    marks,
    scrub,
  };
}

/** Word and label of the loop button: it begins a loop, then ends it here, then ends looping. */
function loopWords({ clock, loopFrom }) {
  if (clock.loop) return ["Looping", "End the loop"];
  if (loopFrom === undefined) return ["Loop", "Begin a loop here"];
  return ["to here", "Loop from the chosen moment to here"];
}

export class ReplayBar {
  #acts;
  #parts;
  #once = builder();
  #session = null;
  #flight;
  #liftOff;
  #whole = true;
  #cursor = NaN;
  // Asked for only when it can have changed: reading it lays the page out.
  #box;

  constructor(el, acts) {
    this.el = el;
    this.#acts = acts;
    this.#parts = build({
      back: () => acts.replay("step", -1),
      play: () => acts.replay("toggle"),
      forward: () => acts.replay("step", 1),
      speed: (value) => acts.replay("speed", value),
      seek: (t) => acts.replay("seek", t),
      loop: () => acts.replay("loop"),
      range: () => this.#turnRange(),
    });
    const { back, play, forward, speed, loop, clock, list, range, track } = this.#parts;
    el.append(back, play, forward, speed, loop, clock, list, range, track);
    // The track also narrows when a button beside it appears, not only with the window.
    this.#box = boxOf(this.#parts.marks, () => acts.changed());
  }

  update(view) {
    const { replay } = view.page;
    setHidden(this.el, !replay);
    if (!replay) return;
    const shown = this.#choose(view);
    this.#shade(replay, shown);
    const key = `${view.store.session} ${view.store.version} ${this.#box.width} ${shown}`;
    this.#once(key, () => this.#mark(view, shown));
    this.#draw(view, replay);
  }

  #draw(view, replay) {
    const { play, loop, speed, scrub, clock } = this.#parts;
    const { playing, speed: factor } = replay.clock;
    setText(play, playing ? "\u275a\u275a" : "\u25b6");
    setAttr(play, "aria-label", playing ? "Pause" : "Play");
    const [word, label] = loopWords(replay);
    setText(loop, word);
    setAttr(loop, "aria-label", label);
    if (speed.value !== String(factor)) speed.value = String(factor);
    if (Number(scrub.value) !== view.cursor.t) scrub.value = String(view.cursor.t);
    const words = replayClock(view, !playing);
    setText(clock, words);
    setAttr(scrub, "aria-valuetext", words);
  }

  // The stretch that is looped, or from where it will be, on the track itself.
  #shade({ clock, loopFrom }, [start, end]) {
    const { looped } = this.#parts;
    const stretch = clock.loop ?? (loopFrom === undefined ? null : [loopFrom, this.#cursor]);
    setHidden(looped, !stretch);
    if (!stretch) return;
    const [from, to] = stretch.map((t) => Math.min(1, Math.max(0, (t - start) / Math.max(1e-9, end - start))));
    looped.style.left = `${(100 * Math.min(from, to)).toFixed(2)}%`;
    looped.style.width = `${(100 * Math.abs(to - from)).toFixed(2)}%`;
  }

  #inFlight() {
    return this.#cursor >= this.#flight[0] && this.#cursor <= this.#flight[1];
  }

  // The track shows the flight or everything; leaving the flight shows everything, coming back goes to lift-off.
  #turnRange() {
    this.#whole = !this.#whole;
    if (!this.#whole && !this.#inFlight()) {
      this.#acts.replay("seek", Math.max(this.#flight[0], this.#liftOff - BEFORE_S));
    }
    this.#acts.changed();
  }

  #choose(view) {
    if (this.#session !== view.store) {
      this.#session = view.store;
      this.#flight = flightRange(view.store);
      this.#liftOff = view.store.journal.state("moment", "lift_off")?.body?.t;
      this.#whole = !this.#flight;
    }
    this.#cursor = view.cursor.t;
    if (this.#flight && !this.#inFlight()) this.#whole = true;
    const { range } = this.#parts;
    const [shown, other] = this.#whole ? ["whole session", "flight"] : ["flight", "whole session"];
    setHidden(range, !this.#flight);
    setText(range, this.#whole ? "All" : "Flight");
    setAttr(range, "aria-label", `The track shows the ${shown}; show the ${other}`);
    return this.#whole ? view.store.tRange : this.#flight;
  }

  #mark(view, [start, end]) {
    const { scrub, list, marks } = this.#parts;
    setAttr(scrub, "min", start);
    setAttr(scrub, "max", end);
    const all = timelineMarks(view).sort((a, b) => a.t - b.t);
    const options = all.map(({ name, t }) => h("option", { value: String(t), text: name }));
    list.replaceChildren(h("option", { value: "", text: "Go to\u2026" }), ...options);
    const share = (t) => (t - start) / Math.max(1e-9, end - start);
    const shown = timelineMarks(view).filter(({ t }) => t >= start && t <= end);
    const spoken = worded(
      shown.map((mark) => ({ ...mark, x: share(mark.t) * this.#box.width })),
      this.#box.width,
    );
    syncList(
      marks,
      shown,
      ({ key }) => `${view.store.session} ${start} ${end} ${key}`,
      ({ name, t }) => this.#markButton(name, t, share(t)),
      (button, { key }) => {
        setHidden(button.firstChild, !spoken.has(key));
        setAttr(button, "data-worded", spoken.has(key) ? "yes" : undefined);
      },
    );
  }

  #markButton(name, t, share) {
    const look = { type: "button", class: "bar-mark", title: name, "aria-label": `Go to ${name}` };
    const click = () => this.#acts.replay("seek", t);
    const button = h("button", { ...look, on: { click } }, h("span", { text: name }));
    button.style.left = `${100 * share}%`;
    return button;
  }
}
