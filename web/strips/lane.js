// Above and below the strips of a stack: the phases with their names, what happened and what was found; the time axis.

import { h, setText, syncList } from "../kit/dom.js";
import { sentence, tClock, withSigns } from "../kit/format.js";
import { layLabels, spread, timeTicks } from "../pictures/strip_shapes.js";

const LETTER_PX = 6.4;
const NAME_PX = 7;
const EVENT_ROWS = 2;
const FLAG_APART_PX = 24;

/**
 * Phases, events and flags over the time axis. `go` is called with a finding's moment in timeline seconds where the
 * session can be moved to it.
 */
export function Lane(go) {
  const phases = h("div", { class: "lane-phases" });
  const events = h("div", { class: "lane-events" });
  const flags = h("div", { class: "lane-flags", role: "group", "aria-label": "Findings" });
  const el = h("div", { class: "strips-lane" }, phases, events, flags);
  return {
    el,
    /** `course` in seconds from `zero`, [a, b] as well; `width` of the axis in pixels. */
    update(course, [a, b], width, zero) {
      const at = (t) => ((t - a) / (b - a)) * width;
      el.hidden = course.bands.length === 0 && course.events.length === 0 && course.flags.length === 0;
      drawPhases(phases, course.bands, at);
      drawEvents(events, course.events, at, width);
      drawFlags(flags, course.flags, at, width, zero, go);
    },
  };
}

function drawPhases(parent, bands, at) {
  const make = () => h("span", { class: "lane-phase" });
  syncList(
    parent,
    bands,
    ({ phase }) => phase,
    make,
    (node, { phase, from, to, odd }) => {
      const wide = at(to) - at(from);
      node.style.transform = `translateX(${at(from).toFixed(1)}px)`;
      node.style.width = `${wide.toFixed(1)}px`;
      node.classList.toggle("-odd", odd);
      setText(node, wide > phase.length * NAME_PX + 8 ? phase : "");
      node.title = sentence(phase);
    },
  );
}

function drawEvents(parent, events, at, width) {
  const items = events.map((one) => ({ ...one, x: at(one.t), width: one.text.length * LETTER_PX + 2 }));
  const placed = layLabels(items, width, EVENT_ROWS);
  const rows = Math.max(0, ...placed.map(({ row }) => row + 1));
  parent.dataset.rows = String(rows);
  syncList(
    parent,
    placed,
    ({ key }) => key,
    () => h("span", { class: "lane-event" }),
    (node, { text, t, left, row, x }) => {
      setText(node, text);
      node.title = tClock(t);
      node.classList.toggle("-before", left < x);
      node.style.transform = `translate(${left.toFixed(1)}px, ${row * 15}px)`;
    },
  );
}

function drawFlags(parent, flags, at, width, zero, go) {
  const shown = flags.filter(({ t }) => at(t) >= 0 && at(t) <= width);
  const wishes = shown.map(({ t }) => at(t));
  const places = spread(wishes, FLAG_APART_PX, 11, width - 11);
  parent.hidden = shown.length === 0;
  syncList(
    parent,
    shown.map((one, i) => ({ ...one, left: places[i] })),
    ({ key }) => key,
    () => makeFlag(go),
    (node, one) => {
      const words = `${sentence(one.severity)} at ${tClock(one.t)}: ${withSigns(one.text)}`;
      node.t = one.t + zero;
      node.dataset.tone = one.severity;
      if (node.title !== words) {
        node.title = words;
        node.setAttribute("aria-label", words);
      }
      node.style.transform = `translateX(${(one.left - 11).toFixed(1)}px)`;
    },
  );
}

function makeFlag(go) {
  const node = h(go ? "button" : "span", {
    class: "lane-flag",
    type: go && "button",
    testid: "finding-flag",
    text: "!",
  });
  if (!go) node.setAttribute("role", "img");
  else node.addEventListener("click", () => go(node.t));
  return node;
}

/** The time axis below the strips: always in view, whatever stands above it. */
export function Axis() {
  const el = h("div", { class: "strips-axis", testid: "strips-axis", "aria-hidden": "true" });
  return {
    el,
    update([a, b], width) {
      syncList(
        el,
        timeTicks(a, b, width),
        ({ t }) => t.toFixed(2),
        () => h("span", { class: "axis-tick" }),
        (node, { x, text }) => {
          setText(node, text);
          node.style.transform = `translateX(calc(${x.toFixed(1)}px - 50%))`;
        },
      );
    },
  };
}
