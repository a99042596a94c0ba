// The phases of a flight on one line of time from lift-off on, control beneath them. Seconds in, pixels out. Pure.

import { fixed, sentence } from "../kit/format.js";

const finite = Number.isFinite;
const SPANS_S = [10, 15, 20, 25, 30, 50, 75, 100, 150, 200, 300, 500, 750, 1000, 1500, 3000, 6000];
const ORDER = ["lift_off", "burnout", "apogee", "landing"];
const NAMES = { lift_off: "boost", burnout: "coast", apogee: "descent", landing: "landed" };
const LETTER_PX = 8;

/**
 * @param {object} flight `moments` {lift_off, burnout, apogee, landing: s from lift-off or undefined}; `control` and
 *   `chute` [[from, to or undefined]]; `now` s; `least` s, a span known beforehand
 * @param {number} width px
 * @returns {{span: number, phases: object[], control: object[], chute: object[], now: number, ticks: object[]}}
 */
export function phaseLine({ moments, control = [], chute = [], now, least = 0 }, width) {
  const end = Math.max(0, finite(now) ? now : 0, least);
  const span = SPANS_S.find((one) => end * 1.02 <= one) ?? end * 1.1;
  const x = (t) => (Math.min(span, Math.max(0, t)) / span) * width;
  const begun = ORDER.map((key) => ({ key, t: moments[key] })).filter(({ t }) => finite(t) && t <= end);
  const until = finite(now) ? now : 0;
  const bar = (from, to, more) => {
    const [x1, x2] = [x(from), Math.max(x(from) + 2, x(Math.min(to ?? until, until)))];
    return { ...more, from, to, x1, x2 };
  };
  const named = (one) => ({ ...one, text: one.x2 - one.x1 > one.name.length * LETTER_PX + 6 ? one.name : "" });
  const phases = begun.map(({ key, t }, i) => named(bar(t, begun[i + 1]?.t, { key, name: NAMES[key] })));
  const step = span / 5;
  return {
    span,
    phases,
    control: control.filter(([from]) => from <= until).map(([from, to]) => named(bar(from, to, { name: "control" }))),
    chute: chute.filter(([from]) => from <= until).map(([from, to]) => named(bar(from, to, { name: "chute" }))),
    now: x(until),
    ticks: [0, 1, 2, 3, 4, 5].map((i) => ({ x: x(i * step), text: fixed(i * step, Number.isInteger(step) ? 0 : 1) })),
  };
}

/** The same in words. */
export function phaseWords({ phases, control, chute }) {
  if (phases.length === 0) return "Phases: not lifted off.";
  const told = phases.map(({ name, from }) => `${name} from T+${fixed(from, 1)} s`);
  const extra = [...control, ...chute].map(
    ({ name, from, to }) => `${name} T+${fixed(from, 1)}${finite(to) ? ` to ${fixed(to, 1)}` : " on"}`,
  );
  return `${sentence([...told, ...extra].join(", "))}.`;
}
