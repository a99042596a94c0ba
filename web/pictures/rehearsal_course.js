// How the rehearsals of one firmware build went, one mark a run. Pure.

const BOX = 10; // units of the picture of one mark, square
const R = 3.2;

/** Passed a filled disk, failed a cross, invalid a ring; told apart without color. */
export function markShape(outcome) {
  const [x, y] = [BOX / 2, BOX / 2];
  const cross = `M${x - R} ${y - R} L${x + R} ${y + R} M${x - R} ${y + R} L${x + R} ${y - R}`;
  const disk = `M${x - R} ${y} a${R} ${R} 0 1 0 ${2 * R} 0 a${R} ${R} 0 1 0 ${-2 * R} 0`;
  return outcome === "failed" ? cross : disk;
}

export const MARK_BOX = `0 0 ${BOX} ${BOX}`;

/** One run in words. */
export const markWords = ({ scenario, seed, outcome, wrong }) =>
  `${scenario}, seed ${seed}: ${outcome}${outcome === "failed" && wrong ? `, ${wrong}` : ""}`;

/** A build as people know it: what it says of itself, and the hash of its file. */
export const namedBuild = ({ firmware, build }) => [firmware || "says nothing", build].filter(Boolean).join(" \u00b7 ");

/** The same run, whatever was asked for anew meanwhile. */
export const isSame = (a, b) => Boolean(a && b) && JSON.stringify(a) === JSON.stringify(b);

/** All of a build in words. */
export function courseWords({ runs, passed, invalid, fails_below }) {
  const aside = invalid ? `, ${invalid} invalid` : "";
  if (!runs) return `no valid run${aside}`;
  const bound = `${(100 * fails_below).toFixed(1)} %`;
  return `${passed} of ${runs} passed${aside}; it fails in less than ${bound} of such runs (95 %)`;
}
