// The plan put on the page: one drawing that takes the numbers of plan.js. A place that shows a plan gives it a box.

import { h, s, setAttr } from "../kit/dom.js";
import { planShapes } from "./plan.js";
import { planWords } from "./plan_words.js";

export const DRAW_MS = 200; // what goes over the ground goes slowly on a plan: five times a second at most
const WORDS_MS = 1000;

const word = (label, kind) =>
  label &&
  s("text", { class: `plan-word ${kind}`, x: label.x, y: label.y, "text-anchor": label.anchor, text: label.text });
const line = (kind, { x1, y1, x2, y2 }) => s("line", { class: kind, x1, y1, x2, y2 });
const polygon = (kind, points) => s("polygon", { class: kind, points: points.join(" ") });
const polyline = (kind, points) => s("polyline", { class: kind, points: points.join(" ") });
const circle = (kind, { x, y }, r) => s("circle", { class: kind, cx: x, cy: y, r });
const path = (kind, { x, y }, d) => s("path", { class: kind, transform: `translate(${x} ${y})`, d });

/** The head of an arrow at the end of a line. */
function head(kind, { x1, y1, x2, y2 }) {
  const turn = (Math.atan2(y2 - y1, x2 - x1) * 180) / Math.PI;
  return s("path", { class: kind, transform: `translate(${x2} ${y2}) rotate(${turn})`, d: "M0 0 L-11 5 L-11 -5 Z" });
}

function stripes(id) {
  const pattern = s("pattern", {
    id,
    width: 8,
    height: 8,
    patternUnits: "userSpaceOnUse",
    patternTransform: "rotate(45)",
  });
  pattern.append(s("line", { class: "plan-stripe", x1: 0, y1: 0, x2: 0, y2: 8 }));
  return s("defs", {}, pattern);
}

function ground(shapes, id) {
  return [
    shapes.boundary && polygon("plan-boundary", shapes.boundary),
    ...shapes.keepOut.map(({ points }) =>
      s("polygon", { class: "plan-keep-out", points: points.join(" "), fill: `url(#${id})` }),
    ),
    ...shapes.roads.flatMap(({ points }) => [polyline("plan-road -bed", points), polyline("plan-road", points)]),
    ...shapes.wires.map(({ points }) => polyline("plan-wires", points)),
    ...shapes.rings.map((ring) => circle("plan-ring", ring, ring.r)),
    ...shapes.landmarks.map((one) => path("plan-landmark", one, "M0 -5 L5 4 H-5 Z")),
  ];
}

function flight({ legs, doubt, lies, last, other, person, walk, pad }) {
  const whole = legs.flatMap(({ points }, i) => (i ? points.slice(1) : points));
  return [
    doubt > 0 && s("polyline", { class: "plan-doubt", points: whole.join(" "), "stroke-width": doubt }),
    ...legs.map(({ phase, points }) => polyline(`plan-leg -${phase.replaceAll(/\W/g, "-")}`, points)),
    other && other.r > 0 && circle("plan-region -other", other, other.r),
    lies && lies.r > 0 && circle(`plan-region -${lies.basis}`, lies, lies.r),
    person && person.r > 0 && circle("plan-region -person", person, person.r),
    walk && line("plan-walk", walk),
    walk && head("plan-walk-head", walk),
    path("plan-pad", pad, "M-6 0 H6 M0 -6 V6"),
    last && path("plan-last", last, "M0 -6 L6 0 L0 6 L-6 0 Z"),
    other && path("plan-lies -other", other, "M-5 -5 L5 5 M-5 5 L5 -5"),
    lies && path(`plan-lies -${lies.basis}`, lies, "M-7 -7 L7 7 M-7 7 L7 -7"),
    person && path("plan-person", person, "M0 -8 A4 4 0 1 1 -0.1 -8 M-6 9 Q0 -4 6 9 Z"),
  ];
}

function words(shapes) {
  const { rings, landmarks, keepOut, roads, wires, pad, last, lies, other, person, walk } = shapes;
  const marked = [pad, last, lies, other, person].map((one) => word(one?.label, "-mark"));
  return [
    ...rings.map(({ label }) => word(label, "-ring")),
    ...[...landmarks, ...roads, ...wires].map(({ label }) => word(label, "-landmark")),
    ...keepOut.map(({ label }) => word(label, "-keep-out")),
    ...marked,
    word(walk?.label, "-walk"),
  ];
}

function frame({ bar, north, wind, width, height }) {
  const [x1, x2, y] = [bar.x, bar.x + bar.length, bar.y];
  return [
    s("path", { class: "plan-scale", d: `M${x1} ${y - 5} V${y} H${x2} V${y - 5}` }),
    s("text", { class: "plan-word -scale", x: x1 + 4, y: y - 5, text: bar.text }),
    s("path", {
      class: "plan-north",
      transform: `translate(${north.x} ${north.y})`,
      d: "M0 22 V2 M-4 8 L0 0 L4 8",
    }),
    s("text", { class: "plan-word -north", x: north.x + 8, y: north.y + 20, text: "N" }),
    wind && s("rect", { class: "plan-corner", x: width - 56, y: 0, width: 56, height: 60 }),
    wind && line("plan-wind", wind),
    wind && head("plan-wind-head", wind),
    wind && word({ ...wind.label, y: Math.min(wind.label.y, height - 4) }, "-wind"),
  ];
}

const labelsOf = ({ rings, landmarks, keepOut, roads, wires, pad, last, lies, other, person, walk }) =>
  [rings, landmarks, keepOut, roads, wires, [pad, last, lies, other, person, walk]].map((some) =>
    some.map((one) => one?.label),
  );

/** What is drawn anew together: `shownOf` picks the shapes it shows, `nodesOf` makes them. */
function Part(shownOf, nodesOf) {
  const el = s("g");
  let key = "";
  return {
    el,
    draw(shapes) {
      const now = JSON.stringify(shownOf(shapes));
      if (now === key) return;
      key = now;
      el.replaceChildren(...nodesOf(shapes).filter(Boolean));
    },
  };
}

let made = 0;

/**
 * A plan in an element. `draw(data, box, unit)` may be called on every frame: it draws at most five times a second,
 * each part only when it is another one (the ground under a flight hardly ever is), and tells a screen reader at most
 * once a second; what came in between is drawn when that time is over.
 */
export function PlanDrawing(el) {
  const id = `plan-stripes-${++made}`;
  const drawing = s("svg", { class: "plan-picture", role: "img", "data-testid": "plan" });
  el.append(h("div", { class: "plan-box" }, drawing));
  const parts = [
    Part(
      (of) => [of.boundary, of.keepOut, of.roads, of.wires, of.rings, of.landmarks],
      (of) => ground(of, id),
    ),
    Part((of) => [of.legs, of.doubt, of.lies, of.last, of.other, of.person, of.walk, of.pad], flight),
    Part((of) => labelsOf(of), words),
    Part((of) => [of.bar, of.north, of.wind, of.width, of.height], frame),
  ];
  drawing.append(stripes(id), ...parts.map(({ el: part }) => part));
  const draw = atMost(DRAW_MS, (data, box, unit) => {
    if (!(box.width > 0 && box.height > 0)) return;
    const shapes = planShapes(data, box, unit);
    setAttr(drawing, "viewBox", `0 0 ${box.width} ${box.height}`);
    for (const part of parts) part.draw(shapes);
  });
  const tell = atMost(WORDS_MS, (data, unit) => setAttr(drawing, "aria-label", planWords(data, unit?.text)));
  return {
    el: drawing,
    /** @param {import("./plan.js").PlanData} data @param {{width: number, height: number}} box */
    draw(data, box, unit) {
      draw(data, box, unit);
      tell(data, unit);
    },
  };
}

/** Does something at once, and again no sooner than after some time, then with what came last. */
export function atMost(ms, act) {
  let waits = false;
  let missed = null;
  return function now(...given) {
    if (waits) {
      missed = given;
      return;
    }
    act(...given);
    waits = true;
    setTimeout(() => {
      waits = false;
      const late = missed;
      missed = null;
      if (late) now(...late);
    }, ms);
  };
}
