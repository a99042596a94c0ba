// The body in space, seen from the south-east and a little above, as its quaternion has it. World axes east, north,
// up; body +z out of the nose. A plain parallel projection; pixels around the middle of a square come out. Pure.

import { bearing, fixed } from "../kit/format.js";

const DEG = 180 / Math.PI;
const VIEW_FROM = 150 / DEG; // bearing from which one looks
const VIEW_UP = 22 / DEG; // and from how high
const BODY = { nose: 1, shoulder: 0.62, tail: -1, radius: 0.12 };
const FIN = [
  [0.12, -0.62],
  [0.36, -0.86],
  [0.36, -1.02],
  [0.12, -1],
];
const FINS = 4;
const SIDES = 20;
const AXES = [
  ["x", [1, 0, 0], 0.62],
  ["y", [0, 1, 0], 0.62],
  ["z", [0, 0, 1], 1.32],
];

/** A body vector in the world, by a quaternion (w, x, y, z) of any length; null where that is none. */
export function turned([w, x, y, z], [a, b, c]) {
  const n = w * w + x * x + y * y + z * z;
  if (!Number.isFinite(n) || n < 1e-6) return null;
  return [
    ((w * w + x * x - y * y - z * z) * a + 2 * (x * y - w * z) * b + 2 * (x * z + w * y) * c) / n,
    (2 * (x * y + w * z) * a + (w * w - x * x + y * y - z * z) * b + 2 * (y * z - w * x) * c) / n,
    (2 * (x * z - w * y) * a + 2 * (y * z + w * x) * b + (w * w - x * x - y * y + z * z) * c) / n,
  ];
}

/** A world vector on the sheet: right, up, and toward whoever looks. */
export function seen([east, north, up]) {
  const [sin, cos] = [Math.sin(VIEW_FROM), Math.cos(VIEW_FROM)];
  const right = -east * cos + north * sin; // facing the middle from that bearing
  const near = east * sin + north * cos;
  return {
    x: right,
    y: up * Math.cos(VIEW_UP) - near * Math.sin(VIEW_UP),
    near: near * Math.cos(VIEW_UP) + up * Math.sin(VIEW_UP),
  };
}

const number = (value) => String(Math.round(value * 10) / 10);
const pathOf = (points, isClosed) =>
  points.map(([x, y], i) => `${i ? "L" : "M"}${number(x)} ${number(y)}`).join(" ") + (isClosed ? " Z" : "");

function ring(radius, z) {
  return Array.from({ length: SIDES }, (_, i) => {
    const angle = (2 * Math.PI * i) / SIDES;
    return [radius * Math.cos(angle), radius * Math.sin(angle), z];
  });
}

/** The faces of the body: [{kind, points: body vectors}]. Fin 1 stands on +x. */
function faces() {
  const [low, high] = [ring(BODY.radius, BODY.tail), ring(BODY.radius, BODY.shoulder)];
  const next = (i) => (i + 1) % SIDES;
  const list = [];
  for (let i = 0; i < SIDES; i++) {
    list.push({ kind: "tube", points: [low[i], low[next(i)], high[next(i)], high[i]] });
    list.push({ kind: "nose", points: [high[i], high[next(i)], [0, 0, BODY.nose]] });
  }
  list.push({ kind: "tail", points: low });
  for (let i = 0; i < FINS; i++) {
    const [cos, sin] = [Math.cos((2 * Math.PI * i) / FINS), Math.sin((2 * Math.PI * i) / FINS)];
    list.push({ kind: i === 0 ? "fin-one" : "fin", points: FIN.map(([r, z]) => [r * cos, r * sin, z]) });
  }
  return list;
}

const FACES = faces();

/**
 * The picture: faces from far to near, body axes, and the level ring with its letters.
 * @param {number[]} quaternion w, x, y, z @param {number} size px of the square
 * @returns {{faces: {kind: string, d: string}[], axes: {name: string, d: string, x: number, y: number}[],
 *   level: string, letters: {text: string, x: number, y: number}[]}|null} null where the attitude is none
 */
export function attitudeShapes(quaternion, size) {
  if (!turned(quaternion, [0, 0, 1])) return null;
  const scale = size / 3.1;
  const put = (vector) => {
    const { x, y, near } = seen(vector);
    return [x * scale, -y * scale, near];
  };
  const body = (vector) => put(turned(quaternion, vector));
  const drawn = FACES.map(({ kind, points }) => {
    const corners = points.map(body);
    return { kind, d: pathOf(corners, true), near: corners.reduce((sum, one) => sum + one[2], 0) / corners.length };
  }).sort((a, b) => a.near - b.near);
  const world = (azimuth, radius) => put([radius * Math.sin(azimuth), radius * Math.cos(azimuth), 0]);
  return {
    faces: drawn,
    axes: AXES.map(([name, direction, length]) => {
      const tip = body(direction.map((one) => one * length));
      const word = body(direction.map((one) => one * (length + 0.14)));
      return { name, d: pathOf([body([0, 0, 0]), tip]), x: word[0], y: word[1] };
    }),
    level: pathOf(
      Array.from({ length: 48 }, (_, i) => world((i * Math.PI) / 24, 1.25)),
      true,
    ),
    letters: ["N", "E", "S", "W"].map((text, i) => {
      const [x, y] = world((i * Math.PI) / 2, 1.42);
      return { text, x, y };
    }),
  };
}

/** The same in words: where the nose points and how far it is turned about itself. */
export function attitudeWords(quaternion) {
  const nose = turned(quaternion, [0, 0, 1]);
  if (!nose) return "Attitude not known.";
  const tilt = Math.acos(Math.min(1, Math.max(-1, nose[2]))) * DEG;
  const one = turned(quaternion, [1, 0, 0]);
  const toward = tilt < 1 ? "" : ` to ${bearing(Math.atan2(nose[0], nose[1])).point}`;
  const fin = Math.hypot(one[0], one[1]) < 0.1 ? "" : `; fin 1 toward ${bearing(Math.atan2(one[0], one[1])).point}`;
  return `Nose ${fixed(tilt, 0)}\u00b0 from vertical${toward}${fin}`;
}
