// The vehicle to scale, upright as it stands on the rail, from what its sheet says it is built of. Pure: meters from
// the
// nose tip become pixels from the top.

const TOP = 14;
const LABEL_PX = 14;
const known = Number.isFinite;

const PROFILES = {
  cone: (share) => share,
  ogive: (share) => Math.sin((share * Math.PI) / 2) ** 0.85,
  parabola: (share) => Math.sqrt(share),
  ellipsoid: (share) => Math.sqrt(1 - (1 - share) ** 2),
};

/**
 * @param {object} sheet the vehicle's: length_m, diameter_m, configuration {nose, fins, masses, motor, transitions}
 * @param {object|null} air of the station: center_of_pressure_m, liftoff and burnout with center_of_gravity_m and
 *   margin_calibers @param {object[]|null} fins other sizes of the fin sets, by name
 * @param {{width: number, height: number, axis: number}} box px; `axis` is the middle line
 * @returns {object|null} nose and tube as outlines, fins, pieces with labels that keep their distance, margins
 */
export function vehicleShapes(sheet, air, fins, { width, height, axis }) {
  const built = sheet?.configuration;
  const { length_m: length, diameter_m: diameter } = sheet ?? {};
  if (!built?.nose || !known(length) || !known(diameter)) return null;
  const scale = (height - 2 * TOP) / length;
  const y = (station) => TOP + station * scale;
  const radius = Math.max(2, (diameter / 2) * scale);
  return {
    scale,
    nose: noseOf(built.nose, radius, axis, y),
    tube: {
      x: axis - radius,
      y: y(built.nose.length_m),
      width: 2 * radius,
      height: y(length) - y(built.nose.length_m),
    },
    fins: (built.fins ?? []).flatMap((set) => finsOf({ ...set, ...sizeOf(set, fins) }, radius, axis, y, scale)),
    pieces: labeled(
      [...(built.masses ?? []), ...motorOf(built.motor)].map(
        ({ name, mass_kg: mass, station_m: at, length_m: long }) => ({
          name,
          mass_kg: mass,
          y: y(at),
          from: y(at - (long ?? 0) / 2),
          to: y(at + (long ?? 0) / 2),
          // What is as long as the vehicle is no piece in it.
          whole: (long ?? 0) > 0.6 * length,
          inner: radius * 0.62 * Math.min(1, widthAt(built.nose, at - (long ?? 0) / 2)),
        }),
      ),
      height,
    ),
    margins: air ? marginsOf(air, y, axis - radius) : [],
    width,
  };
}

function noseOf({ shape, length_m: length }, radius, axis, y) {
  const profile = PROFILES[shape] ?? PROFILES.ogive;
  const right = Array.from({ length: 13 }, (_, i) => [radius * profile(i / 12), y((length * i) / 12)]);
  const left = [...right].reverse().map(([x, at]) => [-x, at]);
  return [...right, ...left].map(([x, at]) => [axis + x, at]);
}

/** How wide the nose is at a station, as a share of the tube. */
function widthAt({ shape, length_m: length }, station) {
  return station >= length ? 1 : (PROFILES[shape] ?? PROFILES.ogive)(Math.max(0.05, station / length));
}

const sizeOf = ({ name }, fins) => fins?.find((one) => one.name === name) ?? {};

// Seen from the side, one fin stands on either side, whatever their number.
function finsOf(
  { name, root_m: root, tip_m: tip, span_m: span, sweep_m: sweep, root_leading_edge_m: edge },
  radius,
  axis,
  y,
  scale,
) {
  const corners = [
    [0, edge],
    [span, edge + sweep],
    [span, edge + sweep + tip],
    [0, edge + root],
  ];
  return [1, -1].map((side) => ({
    name,
    points: corners.map(([out, at]) => [axis + side * (radius + out * scale), y(at)]),
  }));
}

function motorOf(motor) {
  if (!motor) return [];
  const { propellant_kg: mass, propellant_station_m: at, propellant_length_m: long } = motor;
  return [{ name: "propellant", mass_kg: mass, station_m: at, length_m: long }];
}

/** Labels beside their pieces, none on another: pushed down where they would meet, then up from the lower edge. */
function labeled(pieces, height) {
  const inOrder = pieces.filter(({ y }) => known(y)).sort((a, b) => a.y - b.y);
  let free = TOP;
  for (const piece of inOrder) {
    piece.label = Math.max(free, piece.y);
    free = piece.label + LABEL_PX;
  }
  let limit = height - 4;
  for (const piece of [...inOrder].reverse()) {
    piece.label = Math.min(piece.label, limit);
    limit = piece.label - LABEL_PX;
  }
  return inOrder;
}

// A band from the center of gravity down to that of pressure; on its side in calibers.
function marginsOf({ center_of_pressure_m: pressure, liftoff, burnout }, y, left) {
  return [
    ["lift-off", liftoff, left - 22],
    ["burned out", burnout, left - 64],
  ]
    .filter(([, state]) => known(state?.center_of_gravity_m))
    .map(([name, state, x]) => ({
      name,
      x,
      from: y(state.center_of_gravity_m),
      to: y(pressure),
      calibers: state.margin_calibers,
      stable: state.margin_calibers > 0,
    }));
}

/** The same in words. */
export function vehicleWords(sheet, air) {
  const { length_m: length, diameter_m: diameter, configuration: built } = sheet ?? {};
  if (!built) return "The sheet does not say what the vehicle is built of.";
  const fins = (built.fins ?? []).map(({ name, count }) => `${count} ${name}`).join(", ");
  const size = `${(length * 100).toFixed(0)} cm long, ${(diameter * 1000).toFixed(0)} mm across`;
  const margin = air
    ? `, static margin ${air.liftoff.margin_calibers.toFixed(2)} calibers at lift-off and ` +
      `${air.burnout.margin_calibers.toFixed(2)} burned out`
    : "";
  return `The vehicle to scale: ${size}, ${fins || "no fins"}, ${(built.masses ?? []).length} weighed pieces${margin}.`;
}
