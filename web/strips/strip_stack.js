// A stack of strips over one time axis: phases, events and findings above, the axis below, both always in view; what
// lies under the pointer is read from all strips at once, and from a second cursor the difference.

import { boxOf, h, setAttr, setClass, setHidden } from "../kit/dom.js";
import { onTheme } from "../kit/theme.js";
import { unitsName } from "../kit/units.js";
import { bandsOf } from "../pictures/strip_shapes.js";
import { eventsOf, flagsOf, phasesOf } from "../session/flown.js";
import { asRead } from "./catalog.js";
import { Cursors } from "./cursors.js";
import { Axis, Lane } from "./lane.js";
import { bound } from "./series.js";
import { Strip } from "./strip.js";

const REDRAW_MS = 100;
const AROUND_PX = 120; // bar, phases, events and axis
const STRIP_PX = 50; // less than this for a strip, and what stands elsewhere as well is left out
const NONE = "Nothing to draw: none of these roles is in the dictionary.";

/** What is drawn behind and above the strips, in seconds from `zero`. */
function courseOf(view, [a, b], zero, whole) {
  const rx = whole ? Infinity : view.rxLimit;
  const { journal } = view.store;
  const less = (list) => list.filter(({ t }) => t >= a && t <= b).map((one) => ({ ...one, t: one.t - zero }));
  const landing = journal.state("moment", "landing", rx)?.body?.t;
  const { silence } = view;
  const isGone = !whole && silence && Number.isFinite(silence.for_s);
  return {
    bands: bandsOf(phasesOf(journal, rx), a, b).map((one) => ({ ...one, from: one.from - zero, to: one.to - zero })),
    events: less(eventsOf(journal, rx)),
    flags: less(flagsOf(journal, rx)),
    landing: landing === undefined ? undefined : landing - zero,
    silence: isGone ? [Math.max(a, view.cursor.t - silence.for_s) - zero, b - zero] : null,
  };
}

/** What a drawing depends on: while it is the same there is nothing to draw. */
function versionOf(view, range, zero) {
  const silent = view.silence ? Math.ceil(view.silence.for_s * 2) : 0;
  return [view.store.version, ...range.map((t) => t.toFixed(3)), zero, view.cursor.live, silent].join();
}

/**
 * @param {Element} el
 * @param {{changed: () => void, strips: (view) => object[], window: (view) => [number, number],
 *   select?: (a,b) => void, reset?: () => void, go?: (t) => void, playhead?: boolean, whole?: boolean,
 *   zero?: (view) => number, key?: (view) => string, sync?: string, foot?: (definition) => Element,
 *   tools?: Element}} options
 *   window gives timeline seconds; select and reset are called for drag and double click when zooming is offered, go
 *   with a finding's moment; `foot` gives what stands in a strip's legend, `tools` what stands beside the reading
 */
export function StripStack(el, options) {
  let strips = [];
  let built = "";
  let version = "";
  let last = -Infinity;
  let left = null; // of a drawing that has begun
  let themed = 0;
  let shown = null; // what was drawn last: {view, zero}
  onTheme(() => {
    themed++;
  });
  const lane = Lane(options.go);
  const scroller = h("div", { class: "strips-scroller", tabindex: "0", role: "group", "aria-label": "Strips" });
  const axis = Axis();
  const first = () => strips.find((strip) => strip.chart)?.chart;
  const cursors = new Cursors(scroller, first, read);
  const bar = h("div", { class: "strips-bar" }, options.tools, cursors.reading, cursors.button);
  el.classList.add("strips-stack");
  el.append(bar, lane.el, scroller, axis.el);
  const resized = () => {
    version = "";
    options.changed();
  };
  const box = boxOf(scroller, resized);
  const whole = boxOf(el, resized); // not the scroller, whose height depends on what is left out
  const stripOptions = { ...options, resized, hovered: (chart) => cursors.hovered(chart) };

  function build(view) {
    for (const strip of strips) strip.destroy();
    left = null;
    const definitions = options.strips(view).filter((one) => one.series.some((series) => bound(view, series)));
    strips = definitions.map((definition) => Strip(asRead(definition), view, stripOptions));
    scroller.replaceChildren(...strips.map((strip) => strip.el));
    if (strips.length === 0) scroller.append(h("p", { class: "absent", text: NONE }));
    setHidden(cursors.button, strips.length === 0);
    setHidden(axis.el, strips.length === 0);
    version = "";
    cursors.forget();
  }

  function read() {
    if (!shown) return;
    const { view, zero } = shown;
    const here = cursors.pointed(zero);
    const { second } = cursors;
    const at = here === undefined && second === undefined ? undefined : (here ?? view.cursor.t);
    for (const strip of strips) {
      strip.read(view, at, second);
      strip.follow(view, zero, second);
    }
    cursors.say(here, view.cursor.t, zero);
  }

  // Live they are drawn one in a frame, all of the same stretch of time, so that no frame is held by all of them.
  function* turn(range, zero, course) {
    for (const strip of strips) yield (view) => strip.draw(view, range, zero, course);
    yield () => {
      const chart = first();
      if (!chart) return;
      const width = chart.bbox.width / (window.devicePixelRatio || 1);
      const about = [range[0] - zero, range[1] - zero];
      lane.update(course, about, width, zero);
      axis.update(about, width);
    };
  }

  function draw(view) {
    do {
      const { value, done } = left.next();
      if (done) left = null;
      else value(view);
    } while (left && !(view.cursor.live && first()));
    if (left) options.changed();
  }

  return {
    update(view) {
      const { session, dictionary } = view.store;
      const key = `${session} ${dictionary.hash} ${themed} ${unitsName()} ${options.key?.(view) ?? ""}`;
      if (key !== built) {
        built = key;
        build(view);
      }
      if (box.width === 0) return;
      setClass(el, "-low", whole.height < AROUND_PX + strips.length * STRIP_PX);
      const range = options.window(view);
      const zero = options.zero ? options.zero(view) : view.zero;
      const wanted = versionOf(view, range, zero);
      const now = performance.now();
      shown = { view, zero };
      if (wanted !== version && (now - last > REDRAW_MS || !view.cursor.live)) {
        version = wanted;
        last = now;
        left = turn(range, zero, courseOf(view, range, zero, options.whole));
      }
      if (left) draw(view);
      read();
    },
  };
}

/** The choice of how much time a live stack shows; a span is `said` in full where its label is a unit's letter. */
export function WindowChoice(el, spans, changed) {
  const buttons = spans.map(({ name, label, said = label }) =>
    h("button", {
      type: "button",
      class: "choice",
      text: label,
      "aria-label": said,
      on: {
        click: () => {
          choose(name);
          changed(name);
        },
      },
    }),
  );
  function choose(name) {
    for (const [i, button] of buttons.entries()) setAttr(button, "aria-pressed", String(spans[i].name === name));
  }
  el.append(...buttons);
  choose(spans[0].name);
  return { choose };
}
