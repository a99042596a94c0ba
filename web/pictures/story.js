// A flight as one line: phase bands, events in words that do not lie on each other, findings as numbered flags. Pure.

const LETTER_PX = 6.6;
const GAP_PX = 8;
const FLAG_PX = 26;
export const ROWS = 2;
const UP_SHARE = 0.62; // of the width for the way up, which is short and holds most of what is looked for

/**
 * Seconds to pixels and back. What lies from just before lift-off to just after the apogee gets more room than the long
 * way down; both parts are even in themselves.
 * @param {[number, number]} range timeline seconds shown @param {number|undefined} bend where the scale changes
 */
export function timeScale([from, to], bend, width) {
  const inside = bend !== undefined && bend > from && bend < to;
  const share = inside ? Math.max(UP_SHARE, (bend - from) / (to - from)) : 1;
  const knee = share * width;
  const end = inside ? bend : to;
  const x = (t) => {
    const at = Math.min(to, Math.max(from, t));
    if (at <= end) return ((at - from) / Math.max(1e-9, end - from)) * knee;
    return knee + ((at - end) / (to - end)) * (width - knee);
  };
  const moment = (px) => {
    const at = Math.min(width, Math.max(0, px));
    if (at <= knee || !inside) return from + (at / knee) * (end - from);
    return end + ((at - knee) / (width - knee)) * (to - end);
  };
  return { x, t: moment, knee: inside ? knee : undefined };
}

/**
 * @param {object} told
 * @param {[number, number]} told.range @param {number|undefined} told.bend timeline seconds
 * @param {{name: string, t: number}[]} told.phases in order of time
 * @param {{name: string, t: number, first?: boolean}[]} told.events those marked `first` get their word first
 * @param {{key: string, t: number, severity: string}[]} told.findings in order of weight
 * @param {number} width px
 * @returns {{bands: object[], events: object[], flags: object[], scale: object}} every x in px; `row` -1: no word fits
 */
export function story({ range, bend, phases, events, findings }, width) {
  const scale = timeScale(range, bend, width);
  const bands = phases
    .map(({ name, t }, i) => ({ name, from: scale.x(t), to: scale.x(phases[i + 1]?.t ?? range[1]), t }))
    .filter(({ from, to }) => to - from >= 1)
    .map((band) => ({ ...band, fits: band.to - band.from > band.name.length * LETTER_PX + GAP_PX }));
  const inside = events.filter(({ t }) => t >= range[0] && t <= range[1]);
  const taken = Array.from({ length: ROWS }, () => []);
  const rows = new Map();
  for (const event of [...inside].sort((a, b) => Boolean(b.first) - Boolean(a.first) || a.t - b.t))
    rows.set(event, placed(event, scale.x(event.t), width, taken));
  return {
    scale,
    bands,
    events: inside.map((event) => ({ ...event, x: scale.x(event.t), ...rows.get(event) })),
    flags: spread(
      findings.map((finding, i) => ({ ...finding, number: i + 1, x: scale.x(finding.t) })),
      width,
    ),
  };
}

function placed({ name }, x, width, taken) {
  const length = name.length * LETTER_PX + GAP_PX;
  const left = x + length > width ? Math.max(0, x - length) : x;
  const row = taken.findIndex((spans) => spans.every(([a, b]) => left >= b || left + length <= a));
  if (row >= 0) taken[row].push([left, left + length]);
  return { row, left };
}

// Flags stand beside each other with a foot at their own moment, however near those are.
function spread(flags, width) {
  const inOrder = [...flags].sort((a, b) => a.x - b.x || a.number - b.number);
  let free = 0;
  for (const flag of inOrder) {
    flag.at = Math.max(free, flag.x - FLAG_PX / 2);
    free = flag.at + FLAG_PX + 2;
  }
  let limit = width;
  for (const flag of inOrder.reverse()) {
    flag.at = Math.max(0, Math.min(flag.at, limit - FLAG_PX));
    limit = flag.at - 2;
  }
  return flags;
}

/** The same in words, for who cannot see it. */
export function storyWords({ phases, findings }, zero = 0) {
  const clock = (t) => `T${t < zero ? "\u2212" : "+"}${Math.abs(t - zero).toFixed(1)} s`;
  const bands = phases.map(({ name, t }) => `${name} from ${clock(t)}`).join(", ");
  const flags = findings.map(({ t }) => clock(t)).join(", ");
  const found = findings.length
    ? `${findings.length} finding${findings.length > 1 ? "s" : ""} at ${flags}`
    : "no finding";
  return `Timeline of the flight: ${bands || "no phase was seen"}; ${found}.`;
}
