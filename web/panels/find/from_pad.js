// The way from the pad to a place. Pure; the station works out the same of the last place it heard.

/** Bearing (radians from north, clockwise) and distance in meters of a place east and north of the pad. */
export function fromPad(east, north) {
  return { bearing: Math.atan2(east, north), distance: Math.hypot(east, north) };
}
