// Who is heard. What rests on hearing is not known any more while the vehicle or the station keeps silent. Pure.

/** Seconds without anything from the vehicle until it counts as silent; with slow packets three of their periods. */
const SILENT_S = 2;
const SILENT_PERIODS = 3;

/**
 * @typedef {{who: "station"|"vehicle", for_s: number}} Silence `for_s` is Infinity when nothing was ever heard
 *
 * @param {import("./store.js").Store} store @param {{rx: number, live: boolean}} cursor
 * @param {object} page with silentSince and now, in ms
 * @returns {Silence|null} null while both are heard; of both silent the station, since it hides the vehicle
 */
export function silenceOf(store, cursor, page) {
  const { silentSince = null, now } = page;
  if (cursor.live && silentSince !== null) return { who: "station", for_s: Math.max(0, (now - silentSince) / 1000) };
  const heard = store.lastHeard(cursor.live ? Infinity : cursor.rx);
  const for_s = heard === undefined ? Infinity : cursor.rx - heard;
  return for_s > limitOf(store.dictionary) ? { who: "vehicle", for_s } : null;
}

function limitOf({ tables }) {
  const fastest = Math.max(0, ...tables.filter((table) => !table.computed).map((table) => table.rate_hz || 0));
  return fastest > 0 ? Math.max(SILENT_S, SILENT_PERIODS / fastest) : SILENT_S;
}
