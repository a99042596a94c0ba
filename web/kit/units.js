// The units in which the person at this page reads heights, distances and speeds. All that comes and goes is SI; only
// what is read passes through here. The same factors and sentences as the station's own (tests/vectors/units.json).

const KEY = "blockhouse.units";
const FOOT_M = 0.3048; // exactly, as MILE_M: international yard and pound agreement, 1959
const MILE_M = 1609.344;
const HOUR_S = 3600;

/** By a unit of SI: what is read in its place, and how many of that one of it is. */
const CHOICES = {
  metric: { m: ["m", 1], "m/s": ["m/s", 1] },
  imperial: { m: ["ft", 1 / FOOT_M], "m/s": ["mph", HOUR_S / MILE_M] },
};

let chosen = "metric";

/** "metric" or "imperial": what is shown depends on it, so it belongs to the key of whatever is drawn once. */
export const unitsName = () => chosen;

/** Read another choice from now on; what is none changes nothing. */
export function setUnits(name) {
  if (Object.hasOwn(CHOICES, name)) chosen = name;
}

/** The person's own choice, else the station's (`[person]` of its settings). */
export const unitsAtFirst = (storage, station) => {
  const kept = storage.getItem(KEY);
  return Object.hasOwn(CHOICES, kept) ? kept : Object.hasOwn(CHOICES, station) ? station : "metric";
};

/** Choose for good. */
export function chooseUnits(storage, name) {
  setUnits(name);
  storage.setItem(KEY, chosen);
}

/** What stands in the place of a unit of SI: "m" as "ft"; what nobody chose stays. */
export const shownUnit = (unit) => CHOICES[chosen][unit]?.[0] ?? unit;

/** How many of what is shown one of a unit of SI is. */
export const unitFactor = (unit) => CHOICES[chosen][unit]?.[1] ?? 1;

/** A number of a unit of SI in what is shown; nothing known stays nothing known. */
export const inUnit = (unit, value) => (typeof value === "number" ? value * unitFactor(unit) : value);

/** Miles, for what is too far for feet. */
export const inMiles = (meters) => meters / MILE_M;

/** What the address of a page that the station writes has to say of it: "" or "?units=imperial". */
export const unitsQuery = () => (chosen === "metric" ? "" : `?units=${chosen}`);
