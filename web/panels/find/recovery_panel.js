// Where it came down and how to walk there: large enough to be read outdoors while walking.

import { landingText, stagesText } from "../../kit/descent_words.js";
import { h, s, setAttr, setClass, setHidden, setText, setTone } from "../../kit/dom.js";
import { age, bearing, distance, fixed, limitState, NOTHING, tClock } from "../../kit/format.js";
import { sampleWords, unknownValue } from "../../kit/silence_words.js";
import { tellsPlace } from "../../pictures/plan_data.js";
import { bestPlace, lastPointWords, otherWords, placeWords } from "./whereabouts.js";

// Closer than this the direction is only noise.
const AT_PAD_M = 3;

export function Whereabouts(el) {
  const needle = s("path", { class: "needle", d: "M0 -78 L22 46 L0 30 L-22 46 Z" });
  const rose = s(
    "svg",
    { class: "rose", viewBox: "-110 -110 220 220", role: "img" },
    s("circle", { class: "rose-ring", r: 92 }),
    ...[
      ["N", 0, -99],
      ["E", 101, 5],
      ["S", 0, 109],
      ["W", -101, 5],
    ].map(([text, x, y]) => s("text", { class: "rose-letter", x, y, "text-anchor": "middle", text })),
    needle,
  );
  const degrees = h("span", { class: "walk-number", testid: "recovery-bearing" });
  const point = h("span", { class: "walk-unit" });
  const far = h("span", { class: "walk-number", testid: "recovery-distance" });
  const basis = h("p", { class: "walk-note -basis", testid: "recovery-basis" });
  const last = h("p", { class: "walk-note", testid: "recovery-last" });
  const other = h("p", { class: "walk-note", testid: "recovery-other" });
  const none = h("p", {
    class: "absent",
    text: "No position in this vehicle's dictionary, so no bearing can be given.",
  });
  const walk = h(
    "div",
    { class: "walk" },
    rose,
    h(
      "div",
      { class: "walk-words" },
      h("p", {}, degrees, point),
      h("p", {}, far, h("span", { class: "walk-unit -below", text: "from the pad" })),
      basis,
      last,
      other,
    ),
  );
  el.append(walk, none);
  return {
    update(view) {
      const able = tellsPlace(view);
      setHidden(walk, !able);
      setHidden(none, able);
      if (!able) return;
      const best = bestPlace(view);
      const to = best ?? { bearing: NaN, distance: NaN };
      const words = bearing(to.bearing);
      const away = best && to.distance >= AT_PAD_M;
      setText(degrees, away ? `${words.degrees}\u00b0` : best ? "At the pad" : NOTHING);
      setClass(degrees, "-words", !away);
      setText(point, away ? words.point : "");
      setText(far, distance(to.distance));
      setAttr(needle, "transform", `rotate(${away ? (to.bearing * 180) / Math.PI : 0})`);
      setAttr(needle, "visibility", away ? "visible" : "hidden");
      setAttr(
        rose,
        "aria-label",
        best ? `Bearing ${words.degrees} degrees ${words.point}, ${distance(to.distance)}` : "No position yet",
      );
      setText(basis, placeWords(view, best));
      setText(last, best?.basis === "forecast" ? lastPointWords(view) : "");
      setText(other, otherWords(view));
    },
  };
}

/** Height, descent, landing, deployment, last packet, battery. */
export function DescentPanel(el) {
  const list = h("dl", { class: "pairs -large" });
  const rows = DESCENT.map(({ title, read }) => {
    const term = h("dt", { text: title });
    const value = h("dd");
    list.append(term, value);
    return { read, term, value };
  });
  el.append(list);
  return {
    update(view) {
      for (const { read, term, value } of rows) {
        const [text, tone] = read(view);
        setHidden(term, text === undefined);
        setHidden(value, text === undefined);
        setText(value, text ?? "");
        setTone(value, tone);
      }
    },
  };
}

const clock = (view, moment) => tClock(moment.t - view.zero);

const lostOr = ({ stale, age: seconds, value }, words) =>
  stale && value !== undefined ? [unknownValue(words, seconds), "stale"] : [words, "none"];

const DESCENT = [
  {
    title: "Last packet",
    read: (view) => {
      const heard = view.store.lastHeard(view.rxLimit);
      return heard === undefined
        ? ["nothing heard yet", "caution"]
        : [`${age(view.cursor.rx - heard)} ago`, view.cursor.rx - heard > 2 ? "warning" : "none"];
    },
  },
  {
    title: "Height",
    read: (view) => {
      const sample = view.tells("ground.height") && view.sample("ground.height");
      return sample ? lostOr(sample, `${fixed(sample.value, 0)} m`) : [];
    },
  },
  {
    title: "Descent rate",
    read: (view) => {
      const sample = view.tells("ground.climb_rate") && view.sample("ground.climb_rate");
      if (!sample) return [];
      if (view.moment("landing")) return ["none, it lies"];
      if (!view.moment("apogee")) return ["not before apogee"];
      return lostOr(sample, sample.value < 0 ? `${fixed(-sample.value, 1)} m/s` : "not sinking");
    },
  },
  {
    title: "In stages",
    read: (view) => {
      const words = stagesText(view.state("figure", "descent")?.body);
      return words ? [words] : [];
    },
  },
  {
    title: "Speed at landing",
    read: (view) => {
      const words = landingText(view.state("figure", "descent")?.body);
      return words ? [words] : [];
    },
  },
  {
    title: "Apogee",
    read: (view) => {
      const moment = view.moment("apogee");
      return [moment ? `${fixed(moment.height_m, 0)} m, ${clock(view, moment)}` : "not reached"];
    },
  },
  {
    title: "Deployment",
    read: (view) => {
      const moment = view.moment("deployment");
      const apogee = view.moment("apogee");
      return [
        moment
          ? `${clock(view, moment)}${apogee ? `, ${fixed(moment.t - apogee.t, 1)} s after apogee` : ""}`
          : "not seen",
      ];
    },
  },
  {
    title: "Landed",
    read: (view) => {
      const moment = view.moment("landing");
      return [moment ? clock(view, moment) : "not seen"];
    },
  },
  {
    title: "Battery",
    read: (view) => {
      const sample = view.sample("battery.voltage");
      return sample
        ? [sampleWords(sample), limitState(sample.column, sample.value) || (sample.stale ? "stale" : "none")]
        : [];
    },
  },
];
