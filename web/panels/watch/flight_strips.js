// The three uses of the strips: following the flight, the whole flight with zoom and pan, and channels picked by hand.

import { h } from "../../kit/dom.js";
import { channelStrip, flightStrips, StripStack, WindowChoice } from "../../kit/strips.js";
import { flightRange } from "../../session/replay.js";

const SPANS = [
  { name: "flight", label: "Flight" },
  { name: "60", label: "Last 60 s" },
  { name: "15", label: "Last 15 s" },
  { name: "all", label: "All" },
];
const BEFORE_S = 5;
const AFTER_S = 20;
const LEAST_S = 0.2;

/** End of the window is the cursor; its length is the person's choice. "Flight" ends a little after landing. */
function followWindow(span, t, { liftOff, landing, start }) {
  if (span === "all") return [Math.min(start, t - 1), t];
  if (span === "flight" && liftOff !== undefined)
    return [Math.min(liftOff - BEFORE_S, t - 1), Math.min(t, (landing ?? t) + AFTER_S)];
  return [t - (Number(span) || 60), t];
}

function firstTime(view) {
  let first = Infinity;
  for (const table of view.store.tables.values()) if (table.n > 0 && table.t[0] < first) first = table.t[0];
  return Number.isFinite(first) ? first : view.cursor.t - 60;
}

function Following(el, acts, strips, key) {
  let span = SPANS[0].name;
  const choice = h("div", { class: "choices", role: "group", "aria-label": "Time shown" });
  const stack = h("div", { class: "strips-stack" });
  el.append(choice, stack);
  WindowChoice(choice, SPANS, (name) => {
    span = name;
  });
  return StripStack(stack, {
    changed: acts.changed,
    strips,
    key,
    sync: key ? "added" : "flight",
    window: (view) =>
      followWindow(span, view.cursor.t, {
        liftOff: view.moment("lift_off")?.t,
        landing: view.moment("landing")?.t,
        start: firstTime(view),
      }),
  });
}

export function FlightStrips(el, acts) {
  return Following(el, acts, (view) => flightStrips(view.store.roles));
}

/** Strips of channels that were picked in the channel table. */
export function AddedStrips(el, acts) {
  const key = (view) => view.page.strips.map(({ column }) => column.channel).join(" ");
  const none = h("p", { class: "absent", text: "Press + beside a channel to draw it here." });
  const box = h("div", { class: "added-box" });
  el.append(none, box);
  const stack = Following(
    box,
    acts,
    (view) => view.page.strips.map((binding) => channelStrip(binding.column, binding)),
    key,
  );
  return {
    update(view) {
      const empty = view.page.strips.length === 0;
      none.hidden = !empty;
      box.hidden = empty;
      if (!empty) stack.update(view);
    },
  };
}

/**
 * The whole session: drag to zoom, wheel to zoom, shift and drag or shift and wheel to pan, double click for
 * everything.
 */
export function ReviewStrips(el, acts) {
  let range = null;
  let store = null;
  let zero = 0;
  const help = h("p", {
    class: "facts",
    text: "Drag to zoom, wheel to zoom, Shift + wheel to pan, double click for everything, click to go there.",
  });
  const none = h("p", { class: "absent", text: "Open a session to see the whole flight." });
  const stack = h("div", { class: "strips-stack" });
  el.append(help, none, stack);
  const whole = (view) => view.store.tRange;
  const clip = ([a, b]) => {
    const [start, end] = store.tRange;
    const length = Math.min(end - start, Math.max(LEAST_S, b - a));
    const from = Math.min(end - length, Math.max(start, (a + b - length) / 2));
    return [from, from + length];
  };
  const strips = StripStack(stack, {
    changed: acts.changed,
    strips: (view) => flightStrips(view.store.roles),
    window: (view) => range ?? whole(view),
    select: (a, b) => {
      range = clip([a + zero, b + zero]);
      acts.changed();
    },
    reset: () => {
      range = null;
      acts.changed();
    },
    playhead: true,
    whole: true,
    zero: () => zero,
    sync: "review",
  });
  stack.addEventListener(
    "wheel",
    (event) => {
      const over = event.target.closest(".u-over");
      if (!over || !store) return;
      event.preventDefault();
      const [a, b] = range ?? store.tRange;
      const turn = event.deltaY || event.deltaX;
      if (event.shiftKey) range = clip([a + Math.sign(turn) * (b - a) * 0.15, b + Math.sign(turn) * (b - a) * 0.15]);
      else {
        const box = over.getBoundingClientRect();
        const at = a + ((event.clientX - box.left) / box.width) * (b - a);
        const factor = turn < 0 ? 0.8 : 1.25;
        range = clip([at - (at - a) * factor, at + (b - at) * factor]);
      }
      acts.changed();
    },
    { passive: false },
  );
  stack.addEventListener("click", (event) => {
    const over = event.target.closest(".u-over");
    if (!over || !store) return;
    const [a, b] = range ?? store.tRange;
    const box = over.getBoundingClientRect();
    if (moved(event)) return;
    acts.replay("seek", a + ((event.clientX - box.left) / box.width) * (b - a));
  });
  let down = 0;
  stack.addEventListener("pointerdown", (event) => {
    down = event.clientX;
  });
  const moved = (event) => Math.abs(event.clientX - down) > 5;

  return {
    update(view) {
      if (view.store !== store) {
        store = view.store;
        range = flightRange(store) ?? null;
      }
      zero = view.store.journal.state("moment", "lift_off")?.body?.t ?? 0;
      none.hidden = Boolean(view.page.replay);
      stack.hidden = help.hidden = !view.page.replay;
      if (view.page.replay) strips.update(view);
    },
  };
}
