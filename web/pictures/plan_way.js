// Whether one may be shown a straight way: never into or through a keep-out, across a road or wires, or over the edge
// of the field. Places are {east, north} in meters from the pad. Pure.

// A line that passes closer than this is one that crosses: nobody walks finer. A choice of ours, no source.
export const CLEARANCE_M = 1;

const NOTHING_DECLARED = { landmarks: [], keep_out: [], roads: [], wires: [], boundary: null };

/** A site's map as the station tells it, with every part there: points are [east, north] in meters. */
export const mapOf = (map) => ({ ...NOTHING_DECLARED, ...map });

/** Is a place within a ring of points [[east, north], ...]? Even-odd rule; the ring closes by itself. */
export function isInside({ east, north }, ring) {
  let inside = false;
  for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
    const [ae, an] = ring[i];
    const [be, bn] = ring[j];
    if (an > north !== bn > north && east < ((be - ae) * (north - an)) / (bn - an) + ae) inside = !inside;
  }
  return inside;
}

/** Distance (m) of a place from a piece of a line between two points. */
function fromPiece({ east, north }, [ae, an], [be, bn]) {
  const [de, dn] = [be - ae, bn - an];
  const square = de * de + dn * dn;
  const along = square > 0 ? Math.min(1, Math.max(0, ((east - ae) * de + (north - an) * dn) / square)) : 0;
  return Math.hypot(east - ae - along * de, north - an - along * dn);
}

const side = ([ae, an], [be, bn], [ce, cn]) => Math.sign((be - ae) * (cn - an) - (bn - an) * (ce - ae));

/** Distance (m) between two pieces of lines, 0 where they cross. */
function between(a, b, c, d) {
  if (side(a, b, c) * side(a, b, d) < 0 && side(c, d, a) * side(c, d, b) < 0) return 0;
  const place = ([east, north]) => ({ east, north });
  return Math.min(
    fromPiece(place(a), c, d),
    fromPiece(place(b), c, d),
    fromPiece(place(c), a, b),
    fromPiece(place(d), a, b),
  );
}

/** The pieces of a line, of a ring with the one that closes it. */
function piecesOf(points, closed) {
  const pieces = points.slice(1).map((point, i) => [points[i], point]);
  return closed && points.length > 2 ? [...pieces, [points.at(-1), points[0]]] : pieces;
}

/** Distance (m) of a straight way from a line, or from the edge of a ring. */
function clearOf(from, to, points, closed) {
  const [a, b] = [from, to].map(({ east, north }) => [east, north]);
  return Math.min(Infinity, ...piecesOf(points, closed).map(([c, d]) => between(a, b, c, d)));
}

/** Does a circle about a place reach into a ring? */
export function reachesInto(place, radius, ring) {
  return isInside(place, ring) || clearOf(place, place, ring, true) <= radius;
}

const WORDS = {
  keep_out: ["a keep-out", "lies"],
  roads: ["a road", "lies"],
  wires: ["wires", "lie"],
  boundary: ["the edge of the field", "lies"],
};
const OFFICER = "the range officer says the way";

function barred(kind, name, isEnd = false) {
  const [what, verb] = WORDS[kind];
  const called = name ? `${what} (${name})` : what;
  const where = isEnd ? `it lies within ${called}` : `${called} ${verb} between`;
  return { kind, name, sentence: `not straight: ${where}; ${OFFICER}` };
}

/**
 * What forbids the straight way from one place to another, the gravest first; null where nothing declared does. That
 * nothing is declared there does not make a way free.
 * @returns {{kind: string, name: string, sentence: string}|null}
 */
export function barOf(from, to, declared) {
  const map = mapOf(declared);
  if (map.problem) return { kind: "problem", name: "", sentence: `not straight: ${map.problem}; ${OFFICER}` };
  for (const { name, points } of map.keep_out) {
    if (isInside(to, points)) return barred("keep_out", name, true);
    if (clearOf(from, to, points, true) <= CLEARANCE_M) return barred("keep_out", name);
  }
  for (const kind of ["wires", "roads"]) {
    const across = map[kind].find(({ points }) => clearOf(from, to, points, false) <= CLEARANCE_M);
    if (across) return barred(kind, across.name);
  }
  const { boundary } = map;
  return boundary && clearOf(from, to, boundary, true) <= CLEARANCE_M ? barred("boundary", "") : null;
}
