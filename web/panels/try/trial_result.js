// The result of a bench trial: the score with its exact bound, times with their picture, what a fin sweep tells, pings.
// Everything is the station's; here it is only put into words and lines.

import { builder, h, s, setHidden } from "../../kit/dom.js";
import { fixed, NOTHING } from "../../kit/format.js";
import { BOX, histogramShapes, histogramWords, scaleOf } from "../../pictures/histogram.js";

const DEG = 180 / Math.PI;
const MILLI = 1000;
const { width: WIDTH, height: HEIGHT, left: LEFT, base: BASE } = BOX;

/** A share as percent with three significant digits. */
export function percent(share) {
  if (!Number.isFinite(share)) return NOTHING;
  const value = share * 100;
  const digits = value >= 99.95 || value === 0 ? 0 : Math.min(4, Math.max(0, 2 - Math.floor(Math.log10(value))));
  return `${fixed(value, digits)} %`;
}

/** The score as sentences. */
export function scoreSentences(result) {
  const confidence = `${Math.round(result.confidence * 100)} %`;
  const [low, high] = result.interval;
  const found = [
    `${result.passed} of ${result.runs} runs passed, ${result.failed} failed; ${result.planned} were planned.`,
  ];
  if (result.runs) {
    const bound = `at most ${percent(result.upper_bound)} (one-sided exact bound, ${confidence})`;
    const interval = `${percent(low)} to ${percent(high)} (two-sided exact interval, ${confidence})`;
    found.push(`Failure rate ${bound}; ${interval}.`);
  }
  if (result.first_failure) found.push(failureWords(result.first_failure));
  return found;
}

function failureWords({ run, cycle, variant, step, cause }) {
  const where = [run ? `run ${run}, cycle ${cycle}` : "outside the cycles", variant, step];
  return `First failure: ${where.filter(Boolean).join(", ")}: ${cause}`;
}

/** The branches of a sweep as deviation from what was asked, in degrees, in the order of the angle. */
export function branchesOf(places) {
  const of = (direction) =>
    places
      .filter((one) => one.direction === direction)
      .sort((a, b) => a.commanded - b.commanded)
      .map(({ commanded, measured }) => ({ x: commanded * DEG, y: (measured - commanded) * DEG }));
  return { rising: of(1), falling: of(-1) };
}

const ms = (seconds) => fixed(seconds * MILLI, 0);

function distributionTable(rows, head) {
  const titles = [head, "n", "median", "95 %", "99 %", "greatest"];
  return h(
    "table",
    { class: "grid trial-times" },
    h("thead", {}, h("tr", {}, ...titles.map((text, i) => h("th", { scope: "col", class: i ? "num" : "", text })))),
    h(
      "tbody",
      {},
      ...rows.map((row) =>
        h(
          "tr",
          {},
          h("th", { scope: "row", text: row.title }),
          ...[String(row.count), ms(row.median), ms(row.p95), ms(row.p99), ms(row.greatest)].map((text) =>
            h("td", { class: "num", text }),
          ),
        ),
      ),
    ),
  );
}

function picture(title, distribution, scale) {
  const { width, height, left, right, base } = BOX;
  const { bars, median, most, ends, beyond } = histogramShapes(distribution, scale);
  const middle = Math.min(Math.max(median, left + 76), width - 96);
  return h(
    "figure",
    { class: "trial-picture", testid: "trial-histogram" },
    h("figcaption", { text: `${title}, milliseconds from the ask to the proof` }),
    s(
      "svg",
      { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": histogramWords(title, distribution) },
      ...bars.map((bar) => s("rect", { class: "trial-bar", ...bar })),
      s("line", { class: "trial-axis", x1: left, x2: width - right, y1: base, y2: base }),
      s("line", { class: "trial-median", x1: median, x2: median, y1: 12, y2: base + 4 }),
      s("text", { x: left - 5, y: 22, "text-anchor": "end", text: String(most) }),
      s("text", { x: left - 5, y: base, "text-anchor": "end", text: "0" }),
      s("text", { x: left, y: height - 6, text: ends[0] }),
      s("text", { x: width - right, y: height - 6, "text-anchor": "end", text: ends[1] }),
      s("text", { x: middle, y: height - 6, "text-anchor": "middle", text: `median ${ms(distribution.median)}` }),
    ),
    beyond && h("p", { class: "trial-beyond", text: `${beyond}, not drawn` }),
  );
}

function sweepTable(sweeps) {
  const degrees = (value, digits = 2) => (Number.isFinite(value) ? `${fixed(value * DEG, digits)}\u00b0` : NOTHING);
  const titles = ["Sweep", "reached", "ratio", "offset", "backlash"];
  return h(
    "table",
    { class: "grid trial-sweeps" },
    h("thead", {}, h("tr", {}, ...titles.map((text, i) => h("th", { scope: "col", class: i ? "num" : "", text })))),
    h(
      "tbody",
      {},
      ...sweeps.map((one) =>
        h(
          "tr",
          {},
          h("th", { scope: "row", text: one.title }),
          ...[
            `${degrees(one.travel_low, 1)} to ${degrees(one.travel_high, 1)}`,
            Number.isFinite(one.ratio)
              ? `${fixed(one.ratio, 3)} \u00b1 ${fixed((one.ratio_high - one.ratio_low) / 2, 3)}`
              : NOTHING,
            degrees(one.offset),
            degrees(one.backlash),
          ].map((text) => h("td", { class: "num", text })),
        ),
      ),
    ),
  );
}

function sweepPicture({ title, places }) {
  const { rising, falling } = branchesOf(places);
  const all = [...rising, ...falling];
  if (all.length < 4) return undefined;
  const [left, right] = [Math.min(...all.map(({ x }) => x)), Math.max(...all.map(({ x }) => x))];
  const [low, high] = [Math.min(0, ...all.map(({ y }) => y)), Math.max(0, ...all.map(({ y }) => y))];
  const across = (value) => LEFT + 8 + ((value - left) / (right - left || 1)) * (WIDTH - LEFT - 20);
  const upTo = (value) => BASE - 4 - ((value - low) / (high - low || 1)) * (BASE - 22);
  const path = (points) =>
    points.map((point, i) => `${i ? "L" : "M"}${across(point.x).toFixed(1)} ${upTo(point.y).toFixed(1)}`).join(" ");
  const extent = `goes from ${fixed(low, 2)} to ${fixed(high, 2)} degrees`;
  const label = `${title}: measured minus asked ${extent}; the gap between the two lines is the backlash`;
  return h(
    "figure",
    { class: "trial-picture", testid: "trial-sweep" },
    h("figcaption", { text: `${title}: measured minus asked, degrees; solid rising, dashed falling` }),
    s(
      "svg",
      {
        viewBox: `0 0 ${WIDTH} ${HEIGHT}`,
        role: "img",
        "aria-label": label,
      },
      s("line", { class: "trial-axis", x1: LEFT, x2: WIDTH - 8, y1: upTo(0), y2: upTo(0) }),
      s("path", { class: "trial-rising", d: path(rising) }),
      s("path", { class: "trial-falling", d: path(falling) }),
      s("text", { x: LEFT - 3, y: upTo(high) + 4, "text-anchor": "end", text: fixed(high, 1) }),
      s("text", { x: LEFT - 3, y: upTo(low) + 4, "text-anchor": "end", text: fixed(low, 1) }),
      s("text", { x: LEFT, y: HEIGHT - 6, text: fixed(left, 1) }),
      s("text", { x: WIDTH - 8, y: HEIGHT - 6, "text-anchor": "end", text: fixed(right, 1) }),
    ),
  );
}

function pingPart({ sent, answered, frames, frames_lost: lost, loss, round_trip: trip }) {
  const unanswered = `${lost} of ${frames} frames had no answer in time (${percent(loss)})`;
  return [
    h("p", { text: `${answered} of ${sent} pings answered; ${unanswered}.` }),
    trip && distributionTable([{ title: "Round trip", ...trip }], "Round trip, ms"),
    trip && picture("Round trip", trip, scaleOf([trip.histogram])),
  ];
}

function parts(result) {
  const variants = result.by_variant.filter(({ passed, failed }) => passed + failed);
  const times = [...result.latencies].sort((a, b) => b.count - a.count);
  const drawn = times.filter(({ count }) => count > 1);
  const scale = drawn.length ? scaleOf(drawn.map(({ histogram }) => histogram)) : undefined;
  return [
    ...scoreSentences(result).map((text) => h("p", { text })),
    variants.length > 1 &&
      h(
        "table",
        { class: "grid trial-variants" },
        ...variants.map(({ title, passed, failed, upper_bound: bound }) =>
          h(
            "tr",
            {},
            h("th", { scope: "row", text: title }),
            h("td", { class: "num", text: `${passed} of ${passed + failed} passed` }),
            h("td", { class: "num", text: `failure rate at most ${percent(bound)}` }),
          ),
        ),
      ),
    ...(result.pings ? pingPart(result.pings) : []),
    result.sweeps.length > 0 && sweepTable(result.sweeps),
    ...result.sweeps.map(sweepPicture),
    times.length > 0 && distributionTable(times, "Ask to proof, ms"),
    ...drawn.map((one) => picture(one.title, one, scale)),
  ].filter(Boolean);
}

/** The result of one trial; drawn anew only when another one is shown. */
export function TrialResult() {
  const once = builder();
  const el = h("div", { class: "trial-result", testid: "trial-result" });
  return {
    el,
    update(result, entry) {
      setHidden(el, !result);
      once(result ? entry : null, () => el.replaceChildren(...(result ? parts(result) : [])));
    },
  };
}
