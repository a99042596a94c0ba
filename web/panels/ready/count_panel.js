// The count: a number to be read from afar, what keeps it from running, and the acts of whoever has it.

import { h, setAttr, setHidden, setText, setTone } from "../../kit/dom.js";
import { countNow, countText, stopsOf } from "../../session/count.js";
import { sheetNow } from "./pad_state.js";

const ADVICE = "This count fires nothing. The range safety officer's voice rules.";
const WORDS = { set: "Not started", running: "Running", held: "HELD", "past zero": "Past zero", flown: "Lifted off" };
const TONES = { unknown: "unknown", held: "caution" };
const MOVES = ["running", "past zero"];
const CAN_RUN = { set: "start", held: "resume" };

export function CountPanel(el, acts) {
  const number = h("p", { class: "count-number", testid: "count-number" });
  const state = h("p", { class: "count-state", role: "status", testid: "count-state" });
  const why = h("p", { class: "count-why", testid: "count-why" });
  const delay = h("p", { class: "facts", testid: "count-delay" });
  const press = (act, text) =>
    h("button", {
      type: "button",
      class: `act -${act}`,
      testid: `count-${act}`,
      text,
      on: { click: () => acts.desk({ type: "count", act: act === "run" ? running : act }) },
    });
  let running = "start";
  const run = press("run", "Start");
  const hold = press("hold", "Hold");
  const recycle = press("recycle", "Recycle");
  const seconds = h("input", {
    type: "number",
    min: "1",
    max: "3600",
    step: "1",
    value: "60",
    inputmode: "numeric",
    "aria-label": "Seconds before zero",
    testid: "count-seconds",
  });
  const set = h("button", { type: "submit", class: "act", text: "Set", testid: "count-set" });
  const submit = (event) => {
    event.preventDefault();
    acts.desk({ type: "count", act: "set", seconds: seconds.valueAsNumber });
    seconds.blur();
  };
  const form = h("form", { class: "count-form", on: { submit } }, seconds, h("span", { text: "s before zero" }), set);
  const controls = h("div", { class: "count-acts" }, run, hold, recycle);
  const face = h("div", { class: "count-face" }, number, h("div", {}, state, why, delay));
  el.append(face, controls, form, h("p", { class: "facts", testid: "count-advice", text: ADVICE }));
  return {
    update(view) {
      const count = countNow(view);
      setText(number, numberOf(count));
      setText(state, stateWords(count));
      setTone(state, TONES[count?.state] ?? "none");
      setText(why, whyWords(view, count));
      setAttr(why, "title", why.textContent);
      setText(delay, delayWords(count, view));
      const { desk, replay } = view.page;
      for (const node of [controls, form]) setHidden(node, !desk?.open || Boolean(replay));
      running = CAN_RUN[count?.state] ?? running;
      setText(run, running === "resume" ? "Resume" : "Start");
      const able = ableTo(view.page, count?.state);
      for (const [name, button] of Object.entries({ run, hold, recycle, set }))
        setAttr(button, "disabled", !able[name]);
    },
  };
}

/** Which acts are open to this page: the count is the operator's who holds authority, a hold anybody's signed in. */
function ableTo({ desk, replay, silentSince, canCommand }, state) {
  const signedIn = Boolean(desk?.open) && !replay && silentSince === null;
  return {
    run: canCommand && state in CAN_RUN,
    hold: signedIn && MOVES.includes(state),
    recycle: canCommand && Boolean(state) && state !== "set",
    set: canCommand && state in CAN_RUN,
  };
}

/** The flight's own clock takes over at lift-off: no number here then. */
function numberOf(count) {
  if (!count || count.state === "flown") return "T \u2013";
  return count.known ? countText(count.seconds) : "T ?";
}

function stateWords(count) {
  if (!count) return "No count in this session";
  const word = WORDS[count.state] ?? "Unknown";
  return count.by && count.state !== "flown" ? `${word}, by ${count.by}` : word;
}

function whyWords(view, count) {
  if (!count) return "";
  const stops = count.state in CAN_RUN ? stopsWords(view, count) : "";
  return stops || told(count);
}

function told(count) {
  if (!count.why || count.why.startsWith("set by") || count.why.startsWith("held by")) return "";
  return count.why;
}

function stopsWords(view, count) {
  const sheet = sheetNow(view);
  const items = sheet ? sheet.groups.flatMap((group) => group.items) : [];
  const { red, unmet } = stopsOf(items, count.seconds);
  const parts = [red.length && `not met: ${red.join(", ")}`, unmet.length && `hold point: ${unmet.join(", ")}`];
  const words = parts.filter(Boolean).join("; ");
  return words && `Cannot run: ${words}`;
}

/** What a watcher must know before trusting the number. */
export function delayWords(count, view) {
  if (!count?.inUse || !view.cursor.live) return "";
  if (count.delay_s === null) return "delay not measured yet: listen to the range safety officer";
  const words = `delay ${count.delay_s.toFixed(1)} s`;
  return count.late ? `${words}: too late to show the number here` : words;
}
