// One rehearsal as a picture: state against truth component by component, phases and deployment of both, what was
// wrong. It stands in the place of fins and channels while it is open; the frame around it tells what is live.

import { boxOf, builder, h, s, setHidden, setText } from "../../kit/dom.js";
import { fixed, NOTHING, withSigns } from "../../kit/format.js";
import { courseWords, isSame, MARK_BOX, markShape, namedBuild } from "../../pictures/rehearsal_course.js";
import {
  apartOf,
  apartWords,
  CURVE_BOX,
  curveShape,
  curveTitle,
  curveWords,
  phaseDifferences,
  phasePicture,
  phaseRows,
  phaseWords,
  readIn,
} from "../../pictures/rehearsal_track.js";

const NOT_FLOWN = "on the bench, nothing of this was flown";
const known = Number.isFinite;
const when = (t) => (known(t) ? `${fixed(t, 2)} s` : "never");

const lines = (list, x1, x2) => list.map(({ y }) => s("line", { class: "curve-grid", x1, x2, y1: y, y2: y }));
const label = (x, y, anchor, text) => s("text", { class: "curve-text", x, y, "text-anchor": anchor, text });

function curvePicture(curve, range, bad_s) {
  const { width, height, left, right, middle, below, base } = CURVE_BOX;
  const shape = curveShape(curve, range, bad_s);
  const end = width - right;
  return s(
    "svg",
    { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": curveWords(curve) },
    ...lines([...shape.above, ...shape.below], left, end),
    ...[...shape.above, ...shape.below].map(({ y, text }) => label(left - 4, y + 4, "end", text)),
    ...shape.ticks.map(({ x, text }) => label(x, height - 4, "middle", text)),
    // Inner pictures cut off what has gone wild.
    s(
      "svg",
      { x: 0, y: 0, width, height: middle + 3 },
      s("path", { class: "run-truth", d: shape.truth }),
      s("path", { class: "run-told", d: shape.told }),
    ),
    s("line", { class: "run-zero", x1: left, x2: end, y1: shape.zero, y2: shape.zero }),
    s("path", { class: "run-apart", d: shape.apart }),
    shape.bad !== null && s("line", { class: "run-bad", x1: shape.bad, x2: shape.bad, y1: 2, y2: base }),
    shape.worst &&
      s("circle", {
        class: "run-worst",
        cx: shape.worst.x,
        cy: Math.max(below, Math.min(base, shape.worst.y)),
        r: 4.5,
      }),
  );
}

function curveFigure(curve, range, bad_s) {
  const tone = known(curve.rms) ? "none" : "warning";
  return h(
    "figure",
    { class: "run-curve", testid: `run-${curve.role}` },
    h("figcaption", {}, h("b", { text: `${curveTitle(curve.role)}, ${readIn(curve.unit).unit}` })),
    h("p", { class: "run-apart-words facts", "data-tone": tone, testid: "run-apart", text: apartWords(curve) }),
    curvePicture(curve, range, bad_s),
  );
}

const KEY = [
  ["run-told", "computer"],
  ["run-truth", "truth"],
  ["run-apart", "difference"],
  ["run-worst", "worst"],
  ["run-bad", "first bad frame"],
];

function legend(bad_s) {
  const shown = KEY.filter(([look]) => look !== "run-bad" || known(bad_s));
  const sample = (look) =>
    look === "run-worst"
      ? s("circle", { class: look, cx: 17, cy: 5, r: 4 })
      : s("path", { class: look, d: look === "run-bad" ? "M17 0 V10" : "M1 5 H33" });
  return h(
    "p",
    { class: "curve-legend run-legend" },
    ...shown.map(([look, word]) =>
      h("span", {}, s("svg", { class: "run-key", viewBox: "0 0 34 10", "aria-hidden": "true" }, sample(look)), word),
    ),
  );
}

const ROW = { computer: 16, truth: 42, height: 20, all: 92 };

function bands(list, y, side) {
  return list.flatMap(({ x1, x2, text, odd }) => [
    s("rect", { class: `run-band -${side}${odd ? " -odd" : ""}`, x: x1, y, width: x2 - x1, height: ROW.height }),
    text && s("text", { class: "run-band-text", x: (x1 + x2) / 2, y: y + 15, "text-anchor": "middle", text }),
  ]);
}

function phaseDrawing(track, width) {
  const shape = phasePicture(track, width);
  const bottom = ROW.truth + ROW.height;
  const mark = (x, d, look) => x !== null && s("path", { class: look, d: `M${x} ${d}` });
  return s(
    "svg",
    { width, height: ROW.all, role: "img", "aria-label": phaseWords(track), class: "run-phases" },
    ...bands(shape.computer, ROW.computer, "computer"),
    ...bands(shape.truth, ROW.truth, "truth"),
    ...shape.outages.map(({ x1, x2 }) =>
      s("rect", { class: "run-outage", x: x1, y: ROW.computer, width: Math.max(2, x2 - x1), height: ROW.height }),
    ),
    shape.bad !== null && s("line", { class: "run-bad", x1: shape.bad, x2: shape.bad, y1: 0, y2: bottom + 4 }),
    mark(shape.ordered, `${ROW.computer - 1} l-6 -11 h12 Z`, "run-ordered"),
    mark(shape.own, `${bottom + 1} l-6 11 h12 Z`, "run-own"),
    ...shape.ticks.map(({ x, text }) => label(x, ROW.all - 3, "middle", text)),
  );
}

function phaseTable(track) {
  const cell = (text) => h("td", { class: "num", text });
  const row = (name, ours, theirs) =>
    h(
      "tr",
      {},
      h("th", { scope: "row", text: name }),
      cell(when(ours)),
      cell(when(theirs)),
      cell(apartOf(ours, theirs)),
    );
  const head = ["", "computer", "truth", "difference"].map((text, i) =>
    h("th", { scope: "col", class: i ? "num" : "", text }),
  );
  const [ordered, own] = track.deployment_s;
  return h(
    "table",
    { class: "grid run-table", testid: "run-phases" },
    h("thead", {}, h("tr", {}, ...head)),
    h(
      "tbody",
      {},
      ...phaseRows(track).map(({ name, computer, truth }) => row(name, computer, truth)),
      row("recovery \u25bc (\u25b3 the twin\u2019s own)", ordered, own),
    ),
  );
}

const cycleText = (us) => (!us ? "not told" : us < 1000 ? `${us} \u00b5s` : `${fixed(us / 1000, 2)} ms`);

function facts(track) {
  const [median, late, most] = track.delay_ms;
  const delays = `${fixed(median, 2)} ms, 99 %: ${fixed(late, 2)} ms, greatest ${fixed(most, 2)} ms`;
  const pair = (name, text) => [h("dt", { text: name }), h("dd", { text })];
  return h(
    "dl",
    { class: "pairs run-facts" },
    ...pair("Greatest cycle time", cycleText(track.cycle_us)),
    ...pair("Answers after", known(median) ? delays : NOTHING),
    ...pair("Rehearsed", `${fixed(track.duration_s, 1)} s, ignition at ${when(track.from_s)}`),
  );
}

function wrongs(track) {
  if (track.invalid) return h("p", { class: "facts", "data-tone": "caution", text: `INVALID: ${track.invalid}.` });
  if (!track.wrongs.length) return null;
  const list = track.wrongs.map((text, i) => h("li", { text: `${i ? "" : "First bad: "}${withSigns(text)}` }));
  return h("ul", { class: "run-wrongs", testid: "run-wrongs" }, ...list);
}

/** Newer and older runs of the build, and a way out. */
function turning({ build, mark }, acts) {
  const at = build.course.findIndex((one) => isSame(one, mark));
  const turn = (text, other) =>
    h("button", {
      type: "button",
      class: "act",
      text,
      disabled: !other,
      on: { click: () => acts.chooseRehearsal(build, other) },
    });
  const close = { type: "button", class: "act", text: "Close", testid: "run-close" };
  return h(
    "div",
    { class: "run-turning" },
    turn("\u25c2 Older", build.course[at - 1]),
    turn("Newer \u25b8", at < 0 ? undefined : build.course[at + 1]),
    h("button", { ...close, on: { click: () => acts.chooseRehearsal(null, null) } }),
  );
}

function headOf(chosen, acts) {
  const { build, mark } = chosen;
  const look = { class: "run-mark", viewBox: MARK_BOX, "aria-hidden": "true" };
  const picture = s("svg", look, s("path", { class: `course-mark -${mark.outcome}`, d: markShape(mark.outcome) }));
  return h(
    "div",
    { class: "run-head" },
    h("p", { class: "run-band-words" }, h("b", { text: "REHEARSAL" }), ` \u2014 ${NOT_FLOWN}`),
    h(
      "div",
      { class: "run-title" },
      h("h2", { tabindex: "-1" }, picture, `${mark.scenario}, seed ${mark.seed}: ${mark.outcome}`),
      turning(chosen, acts),
    ),
    h(
      "p",
      { class: "facts" },
      `${namedBuild(build)} \u00b7 ${mark.utc.slice(0, 16).replace("T", " ")} UTC \u00b7 `,
      h("b", { class: "run-build", text: `this build: ${courseWords(build)}` }),
    ),
  );
}

function pictures(track, width) {
  const range = [track.from_s, track.until_s];
  const ends = `from ignition, ${when(range[0])}, until recovery is ordered, ${when(range[1])}`;
  return [
    wrongs(track),
    h("h3", { text: "Phases and deployment, s since the rehearsal began" }),
    h(
      "div",
      { class: "run-phase-rows" },
      h(
        "div",
        { class: "run-sides", "aria-hidden": "true" },
        h("span", { text: "computer" }),
        h("span", { text: "truth" }),
      ),
      phaseDrawing(track, Math.max(200, width - 74)),
    ),
    h("p", { class: "run-after", testid: "run-after", text: phaseDifferences(track) }),
    h("h3", { text: `State against truth, ${ends}` }),
    track.curves.length ? legend(track.first_bad_s) : h("p", { class: "absent", text: "Nothing to compare was told." }),
    h(
      "div",
      { class: "run-curves" },
      ...track.curves.map((curve) => curveFigure(curve, range, track.first_bad_s)),
      h(
        "section",
        { class: "run-numbers" },
        h("h3", { text: "In numbers" }),
        h("div", { class: "run-tables" }, phaseTable(track), facts(track)),
      ),
    ),
  ].filter(Boolean);
}

export function RehearsedRun(el, acts) {
  const head = h("div", {});
  const said = h("p", { class: "absent", role: "status", testid: "run-said" });
  const body = h("div", { class: "run-body", testid: "rehearsed-run" });
  el.append(head, said, body);
  const box = boxOf(el, acts.changed);
  const [onceHead, onceBody] = [builder(), builder()];
  let seen = ""; // what of it was brought before the eyes: on a phone it lies far below
  return {
    update(view) {
      const { chosen } = view.page.rehearsals;
      setHidden(el.parentElement, !chosen);
      onceHead(chosen?.mark, () => head.replaceChildren(...(chosen ? [headOf(chosen, acts)] : [])));
      setText(said, chosen ? chosen.problem || (chosen.track ? "" : "Asking for its picture \u2026") : "");
      setHidden(said, !said.textContent);
      const track = box.width ? chosen?.track : null;
      onceBody(track ? `${JSON.stringify(chosen.mark)} ${box.width}` : null, () =>
        body.replaceChildren(...(track ? pictures(track, box.width) : [])),
      );
      // Once opened and once drawn, since before there may be no room to scroll into; not while runs are gone through.
      const now = !chosen ? "" : seen === "drawn" || track ? "drawn" : "opened";
      if (now && now !== seen) el.parentElement.scrollIntoView({ block: "start" });
      seen = now;
    },
  };
}
