// The uses of the strips: following the flight, the whole flight with zoom and pan, and charts picked by hand.

import { h, setText } from "../../kit/dom.js";
import { flightRange } from "../../session/replay.js";
import { chartStrip, flightStrips, inFlightStrips } from "../../strips/catalog.js";
import { titleOf } from "../../strips/channel_title.js";
import { bound } from "../../strips/series.js";
import { StripStack, WindowChoice } from "../../strips/strip_stack.js";
import { isRoomy, restedOn } from "./rested_on.js";

const SPANS = [
  { name: "flight", label: "Flight" },
  { name: "15", label: "15 s", said: "15 s, seconds" },
  { name: "60", label: "60 s", said: "60 s, seconds" },
  { name: "300", label: "5 min", said: "5 min, minutes" },
  { name: "all", label: "All" },
];
const SLOW_HZ = 2;
const BEFORE_S = 5;
const AFTER_S = 20;
const LEAST_S = 0.2;
const AROUND_S = 2.5; // shown before and after what was found

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

/** What fits before a person has chosen: the flight once there is one, else longer for what comes slowly. */
function fitting(liftOff, rates) {
  if (liftOff !== undefined) return "flight";
  const slowest = Math.min(...rates);
  if (rates.length === 0 || slowest > SLOW_HZ) return "60";
  return slowest > 0 ? "300" : "all";
}

function Following(el, acts, { strips, key, sync, rates = () => [], foot }) {
  let chosen = "";
  const tools = h("div", { class: "choices", role: "group", "aria-label": "Time shown" });
  const choice = WindowChoice(tools, SPANS, (name) => {
    chosen = name;
    acts.changed();
  });
  return StripStack(el, {
    changed: acts.changed,
    strips,
    key,
    sync,
    tools,
    foot,
    window: (view) => {
      const liftOff = view.moment("lift_off")?.t;
      const span = chosen || fitting(liftOff, rates(view));
      choice.choose(span);
      const landing = view.moment("landing")?.t;
      return followWindow(span, view.cursor.t, { liftOff, landing, start: firstTime(view) });
    },
  });
}

// What counts while it flies: few strips, so that each can be read from two meters; a vehicle that tells little of it
// has all that it tells.
function counting(view) {
  const { roles } = view.store;
  const few = inFlightStrips(roles).filter(({ series }) => series.some((one) => bound(view, one)));
  return few.length > 1 ? few : flightStrips(roles);
}

export function FlightStrips(el, acts) {
  return Following(el, acts, { strips: counting, sync: "flight" });
}

/** Charts of channels that were picked in the channel table, one or more channels in each. */
export function PickedCharts(el, acts) {
  const key = (view) => view.page.charts.map((chart) => chart.map(({ column }) => column.channel).join()).join(" ");
  const none = h("p", {
    class: "absent",
    text: "Press + beside a channel to chart it here, several in one if you like.",
  });
  const box = h("div", { class: "picked-box" });
  el.append(none, box);
  const close = (bindings) => {
    const title = `Close this chart: ${bindings.map(titleOf).join(", ")}`;
    const click = () => acts.chart(bindings, "off");
    return h("button", {
      type: "button",
      class: "link chart-close",
      title,
      "aria-label": title,
      text: "close",
      on: { click },
    });
  };
  const stack = Following(box, acts, {
    key,
    sync: "picked",
    strips: (view) => view.page.charts.map((chart) => chartStrip(chart, titleOf)),
    rates: (view) => view.page.charts.flat().map(({ meta }) => (meta.computed ? SLOW_HZ + 1 : meta.rate_hz)),
    foot: ({ series }) => close(series.map(({ bindings }) => bindings[0])),
  });
  return {
    update(view) {
      const empty = view.page.charts.length === 0;
      none.hidden = !empty;
      box.hidden = empty;
      if (!empty) stack.update(view);
    },
  };
}

const HELP =
  "Click to go there, drag or wheel to zoom, Shift + wheel to pan, double click for everything, Shift + click sets a " +
  "second cursor.";

/**
 * The whole session: drag to zoom, wheel to zoom, shift and drag or shift and wheel to pan, double click for
 * everything.
 */
export function ReviewStrips(el, acts) {
  let range = null;
  let store = null;
  let zero = 0;
  let looked;
  let all = false;
  const more = h("button", {
    type: "button",
    class: "choice",
    testid: "strips-all",
    on: { click: () => showAll(!all) },
  });
  more.title = HELP;
  const none = h("p", { class: "absent", text: "Open a session to see the whole flight." });
  const stack = h("div");
  el.append(none, stack);
  const flown = ({ store: of }) => flightRange(of) ?? null;
  // What is still being recorded grows; a recording is cut to its flight once, when it is opened.
  const whole = (view) => (view.page.replay ? null : flown(view)) ?? view.store.tRange;
  const showAll = (shown) => {
    all = shown;
    el.classList.toggle("-all", all);
    acts.changed();
  };
  const clip = ([a, b]) => {
    const [start, end] = store.tRange;
    const length = Math.min(end - start, Math.max(LEAST_S, b - a));
    const from = Math.min(end - length, Math.max(start, (a + b - length) / 2));
    return [from, from + length];
  };
  const strips = StripStack(stack, {
    changed: acts.changed,
    strips: (view) => (all ? flightStrips(view.store.roles) : restedOn(view)),
    key: (view) =>
      all
        ? "all"
        : restedOn(view)
            .map(({ title }) => title)
            .join(),
    window: (view) => range ?? whole(view),
    select: (a, b) => {
      range = clip([a + zero, b + zero]);
      acts.changed();
    },
    reset: () => {
      range = null;
      acts.changed();
    },
    go: (t) => {
      acts.replay("pause");
      acts.replay("seek", t);
    },
    tools: more,
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
      range = clip(turned(event, over, range ?? store.tRange));
      acts.changed();
    },
    { passive: false },
  );
  clicked(stack, (share) => {
    const [a, b] = range ?? store.tRange;
    acts.replay("seek", a + share * (b - a));
  });

  return {
    update(view) {
      if (view.store !== store) {
        store = view.store;
        range = view.page.replay ? flown(view) : null;
      }
      const focus = view.page.replay?.focus;
      if (focus && focus !== looked) range = clip([focus.t - AROUND_S, focus.t + AROUND_S]);
      looked = focus;
      zero = view.store.journal.state("moment", "lift_off")?.body?.t ?? 0;
      const open = Boolean(view.page.replay ?? view.moment("lift_off"));
      none.hidden = open;
      stack.hidden = !open;
      more.hidden = !all && isRoomy();
      setText(more, all ? "Fewer strips" : "All strips");
      if (open) strips.update(view);
    },
  };
}

/** The stretch after a turn of the wheel: zoomed about the pointer, or with Shift moved along. */
function turned(event, over, [a, b]) {
  const turn = event.deltaY || event.deltaX;
  const step = Math.sign(turn) * (b - a) * 0.15;
  if (event.shiftKey) return [a + step, b + step];
  const box = over.getBoundingClientRect();
  const at = a + ((event.clientX - box.left) / box.width) * (b - a);
  const factor = turn < 0 ? 0.8 : 1.25;
  return [at - (at - a) * factor, at + (b - at) * factor];
}

/** Tells at what share of a chart's width it was clicked; a drag is no click. */
function clicked(stack, told) {
  let down = 0;
  stack.addEventListener("pointerdown", (event) => {
    down = event.clientX;
  });
  stack.addEventListener("click", (event) => {
    const over = event.target.closest(".u-over");
    if (!over || Math.abs(event.clientX - down) > 5) return;
    const box = over.getBoundingClientRect();
    told((event.clientX - box.left) / box.width);
  });
}
