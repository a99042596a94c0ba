// Which strips there are: those of a flight, the three that count while it flies, and charts picked by hand.

import { shownUnit, unitFactor } from "../kit/units.js";
import { family } from "../session/roles.js";

const DEG = 180 / Math.PI;
/** Letters that find room beside a line's end. */
const LONGEST_END = 5;

const magnitude = (prefix) => ({ roles: ["x", "y", "z"].map((axis) => `${prefix}.${axis}`), combine: Math.hypot });

// The ground's height and the vehicle's are one line, and how far they are apart a thin strip below it: two curves on
// each other show neither.
const heights = (roles) => [
  {
    title: "Height",
    unit: "m",
    least: 20,
    series: roles.has("ground.height")
      ? [{ name: "height", roles: ["ground.height"] }]
      : [{ name: "vehicle", roles: ["position.up"] }],
  },
  {
    title: "Vehicle less ground",
    unit: "m",
    least: 4,
    thin: true,
    series: [{ name: "", roles: ["position.up"], minus: "ground.height" }],
  },
];

const tilt = { title: "Tilt", unit: "deg", least: 10, series: [{ name: "tilt", scale: DEG, roles: ["ground.tilt"] }] };

const rates = {
  title: "Rates",
  unit: "deg/s",
  least: 40,
  series: [
    { name: "roll", scale: DEG, roles: ["body_rate.z"] },
    { name: "x", scale: DEG, roles: ["body_rate.x"] },
    { name: "y", scale: DEG, roles: ["body_rate.y"] },
  ],
};

const force = {
  title: "Acceleration",
  unit: "m/s2",
  least: 20,
  series: [
    { name: "unit a", end: "a", ...magnitude("accel.a") },
    { name: "unit b", end: "b", ...magnitude("accel.b") },
  ],
};

const fins = (roles) => ({
  title: "Fins",
  unit: "deg",
  least: 6,
  series: family(roles, "fin")
    .slice(0, 4)
    .map((fin) => ({ name: fin, scale: DEG, roles: [`fin[${fin}].measured`] })),
});

/** The strips of a flight. `least` is the narrowest range of values shown, so that noise at rest stays small. */
export function flightStrips(roles) {
  return [
    ...heights(roles),
    {
      title: "Speed",
      unit: "m/s",
      least: 10,
      series: [
        { name: "climb", roles: ["ground.climb_rate"] },
        { name: "speed", roles: ["ground.speed"] },
      ],
    },
    tilt,
    rates,
    force,
    fins(roles),
  ];
}

/** The strips that count while it flies: how it leans, how it turns and what the fins do about it, what pushes. */
export function inFlightStrips(roles) {
  return [tilt, rates, fins(roles), force];
}

/** A strip in the units that the person reads. */
export function asRead(strip) {
  const series = strip.series.map((one) => {
    const unit = one.unit ?? strip.unit;
    return { ...one, unit: shownUnit(unit), factor: unitFactor(unit) };
  });
  return { ...strip, series, unit: shownUnit(strip.unit), least: strip.least * unitFactor(strip.unit) };
}

/** What tells names apart: without the beginning and the end that all of them share. */
export function apart(names) {
  if (names.length < 2) return names;
  const shared = (list) => {
    let n = 0;
    while (list.every((name) => n < name.length - 1 && name[n] === list[0][n])) n++;
    return n;
  };
  const begin = shared(names);
  const rest = names.map((name) => name.slice(begin));
  const end = shared(rest.map((name) => [...name].reverse().join("")));
  return rest.map((name) => name.slice(0, name.length - end).replace(/^[_.]|[_.]$/g, ""));
}

/** One chart of channels picked by hand; channels of another unit have a scale of their own in it. */
export function chartStrip(bindings, titleOf) {
  const columns = bindings.map(({ column }) => column);
  const units = [...new Set(columns.map((column) => column.display_unit || column.unit))];
  const told = apart(columns.map(({ channel }) => channel));
  const numbered = told.some((name) => name.length > LONGEST_END);
  const ends = numbered ? told.map((_, i) => String(i + 1)) : told;
  return {
    title: bindings.length === 1 ? titleOf(bindings[0]) : `${bindings.length} channels`,
    unit: units.length === 1 ? units[0] : "",
    least: 0,
    series: bindings.map((binding, i) => ({
      name: bindings.length === 1 ? "" : `${numbered ? `${i + 1} ` : ""}${titleOf(binding)}`,
      end: ends[i],
      bindings: [binding],
      column: binding.column,
      unit: binding.column.display_unit || binding.column.unit,
      digits: 2,
    })),
  };
}
