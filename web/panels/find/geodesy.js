// Between meters from the pad and degrees on WGS 84, for where the phone stands and for coordinates to copy: the same
// formulas as the station's (topocentric, EPSG Guidance Note 7-2, method 9837; back to latitude by Bowring). Pure.

const SEMI_MAJOR_M = 6378137;
const FLATTENING = 1 / 298.257223563;
const SEMI_MINOR_M = SEMI_MAJOR_M * (1 - FLATTENING);
const E2 = FLATTENING * (2 - FLATTENING);
const E2_SECOND = E2 / (1 - E2);
const RAD = Math.PI / 180;
const { atan2, cos, hypot, sin, sqrt } = Math;

function geocentric({ latitude, longitude }) {
  const [lat, lon] = [latitude * RAD, longitude * RAD];
  const normal = SEMI_MAJOR_M / sqrt(1 - E2 * sin(lat) ** 2);
  const level = normal * cos(lat);
  return [level * cos(lon), level * sin(lon), normal * (1 - E2) * sin(lat)];
}

function degreesAt([x, y, z]) {
  const level = hypot(x, y);
  const reduced = atan2(z * SEMI_MAJOR_M, level * SEMI_MINOR_M);
  const up = z + E2_SECOND * SEMI_MINOR_M * sin(reduced) ** 3;
  const latitude = atan2(up, level - E2 * SEMI_MAJOR_M * cos(reduced) ** 3);
  return { latitude: latitude / RAD, longitude: atan2(y, x) / RAD };
}

/** {latitude, longitude} (degrees) of a place east and north (m) in the tangent plane of an origin in degrees. */
export function moved(origin, { east, north }) {
  const [lat, lon] = [origin.latitude * RAD, origin.longitude * RAD];
  const [x, y, z] = geocentric(origin);
  const out = -north * sin(lat);
  return degreesAt([x + out * cos(lon) - east * sin(lon), y + out * sin(lon) + east * cos(lon), z + north * cos(lat)]);
}

/** {east, north} (m) of a place in degrees in the tangent plane of an origin in degrees: the inverse of `moved`. */
export function seenFrom(origin, place) {
  const [lat, lon] = [origin.latitude * RAD, origin.longitude * RAD];
  const [from, to] = [geocentric(origin), geocentric(place)];
  const [x, y, z] = to.map((value, i) => value - from[i]);
  const out = x * cos(lon) + y * sin(lon);
  return { east: y * cos(lon) - x * sin(lon), north: z * cos(lat) - out * sin(lat) };
}

const GNSS = ["ground.gnss_latitude", "ground.gnss_longitude", "ground.gnss_east", "ground.gnss_north"];

/**
 * The pad in degrees: what a GNSS place rests on where the vehicle tells no other, else by the site's sheet; undefined
 * when neither tells it.
 */
export function originOf(view) {
  const { lat_deg: latitude, lon_deg: longitude } = view.store.dictionary.site ?? {};
  const fix = view.has("position.east") ? undefined : view.lastFinite(...GNSS);
  if (fix) {
    const [lat, lon, east, north] = fix.values;
    return moved({ latitude: lat, longitude: lon }, { east: -east, north: -north });
  }
  return Number.isFinite(latitude) && Number.isFinite(longitude) ? { latitude, longitude } : undefined;
}

/** "40.0002143, -99.9995307": seven decimals, as maps take it. */
export const decimalText = ({ latitude, longitude }) => `${latitude.toFixed(7)}, ${longitude.toFixed(7)}`;

/** "40.0002143 N 99.9995307 W": the same to be read aloud. */
export function spokenText({ latitude, longitude }) {
  const part = (value, positive, negative) => `${Math.abs(value).toFixed(7)} ${value < 0 ? negative : positive}`;
  return `${part(latitude, "N", "S")} ${part(longitude, "E", "W")}`;
}
