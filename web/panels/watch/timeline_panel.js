// The phases of this flight on one line of time.

import { boxOf, h, s, setAttr } from "../../kit/dom.js";
import { phaseLine, phaseWords } from "../../pictures/phase_line.js";
import { pace, WORDS_MS } from "./pace.js";

const ROW = { phases: [2, 22], control: [27, 15], chute: [27, 15] };
const TICKS_Y = 56;
const HEIGHT = 60;

/** Times of an on-and-off flag of the vehicle, from lift-off: [[on, off or undefined], ...]. */
function turnsOf(view, key, zero) {
  const turns = [];
  for (const { t, body } of view.store.journal.past("moment", key, view.rxLimit)) {
    if (body.on === undefined) continue;
    const open = turns.length > 0 && turns[turns.length - 1][1] === undefined ? turns[turns.length - 1] : undefined;
    if (body.on && !open) turns.push([t - zero, undefined]);
    else if (!body.on && open) open[1] = t - zero;
  }
  return turns;
}

/** A flight as its line of phases wants it. */
export function phasesOf(view) {
  const zero = view.moment("lift_off")?.t;
  const after = (key) => {
    const moment = view.moment(key);
    return moment && zero !== undefined ? moment.t - zero : undefined;
  };
  const moments = { lift_off: zero === undefined ? undefined : 0 };
  for (const key of ["burnout", "apogee", "landing"]) moments[key] = after(key);
  const end = moments.landing === undefined ? Infinity : moments.landing + 5;
  return {
    moments,
    control: zero === undefined ? [] : turnsOf(view, "control_enabled", zero),
    chute: zero === undefined ? [] : turnsOf(view, "deployment", zero),
    now: zero === undefined ? 0 : Math.min(end, view.cursor.t - zero),
  };
}

export function TimelinePanel(el, acts) {
  const bars = s("g");
  const now = s("line", { class: "phase-now", y1: 0, y2: 44 });
  const drawing = s("svg", { class: "phase-drawing", role: "img", "aria-label": "Phases" }, bars, now);
  const none = h("p", { class: "absent phase-none", text: "Not lifted off." });
  el.append(drawing, none);
  const box = boxOf(drawing, acts.changed);
  const isDue = pace(acts.changed);
  const isToldAnew = pace(acts.changed, WORDS_MS);
  let words = "";

  function draw(flight, isFlown) {
    setAttr(drawing, "viewBox", `0 0 ${box.width} ${HEIGHT}`);
    const line = phaseLine(flight, box.width);
    bars.replaceChildren(...(isFlown ? nodesOf(line) : []));
    setAttr(now, "visibility", isFlown ? "visible" : "hidden");
    for (const name of ["x1", "x2"]) setAttr(now, name, line.now.toFixed(1));
    words = phaseWords(line);
  }

  return {
    update(view) {
      const flight = phasesOf(view);
      const isFlown = flight.moments.lift_off !== undefined;
      none.hidden = isFlown;
      if (box.width > 0 && isDue(JSON.stringify([box.width, flight]))) draw(flight, isFlown);
      if (isToldAnew(words)) setAttr(drawing, "aria-label", words || "Phases");
    },
  };
}

function nodesOf(line) {
  const bars = ["phases", "control", "chute"].flatMap((name) =>
    line[name].flatMap(({ x1, x2, key, text }) => {
      const [y, height] = ROW[name];
      return [
        s("rect", { class: `phase-bar -${key ?? name}`, x: x1, y, width: x2 - x1, height }),
        text &&
          s("text", { class: `phase-name -${key ?? name}`, x: x1 + 5, y: y + height - (height > 20 ? 6 : 3), text }),
      ].filter(Boolean);
    }),
  );
  const last = line.ticks.length - 1;
  const ticks = line.ticks.map(({ x, text }, i) =>
    s("text", {
      class: "profile-scale",
      x,
      y: TICKS_Y,
      "text-anchor": i === 0 ? "start" : i === last ? "end" : "middle",
      text: i === last ? `${text} s` : text,
    }),
  );
  return [...bars, ...ticks];
}
