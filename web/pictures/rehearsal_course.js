// How the rehearsals of one firmware build went, one mark a run from left to right. Pure.

const ROOM = 10; // units of the picture from one run to the next
const R = 3.2;

/** One shape a run: passed filled, failed a cross, invalid a ring; told apart without color. */
export function courseShapes(course) {
  return course.map((word, i) => {
    const x = ROOM * (i + 0.5);
    const y = ROOM / 2;
    const cross = `M${x - R} ${y - R} L${x + R} ${y + R} M${x - R} ${y + R} L${x + R} ${y - R}`;
    const disk = `M${x - R} ${y} a${R} ${R} 0 1 0 ${2 * R} 0 a${R} ${R} 0 1 0 ${-2 * R} 0`;
    return { word, d: word === "failed" ? cross : disk };
  });
}

/** Size of the picture in its own units. */
export const courseSize = (course) => [ROOM * Math.max(1, course.length), ROOM];

/** The same in words. */
export function courseWords({ runs, passed, invalid, fails_below }) {
  const aside = invalid ? `, ${invalid} invalid` : "";
  if (!runs) return `no valid run${aside}`;
  const bound = `${(100 * fails_below).toFixed(1)} %`;
  return `${passed} of ${runs} passed${aside}; it fails in less than ${bound} of such runs (95 %)`;
}
