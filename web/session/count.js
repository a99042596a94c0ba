// The count to the launch as the journal tells it at a moment. The station counts and holds; nothing here does. Pure.

/** Seconds of delay above which a page shows no number: it would say another second than the field hears. */
export const LATE_S = 0.5;

const IN_USE = new Set(["running", "held", "past zero", "unknown"]);

/**
 * @typedef {{state: string, seconds: number, known: boolean, inUse: boolean, why: string, by: string, at: string,
 *   set_s: number, delay_s: number|null, late: boolean}} CountNow
 *
 * @param {import("./view.js").View} view @returns {CountNow|null} null in a session without a count
 */
export function countNow(view) {
  const body = view.state("count", "state")?.body;
  if (!body || typeof body.state !== "string") return null;
  const { why = "", by = "", at = "", set_s } = body;
  const inUse = IN_USE.has(body.state);
  const told = { why, by, at, set_s, inUse };
  const delay_s = view.cursor.live ? (view.page.delay_s ?? null) : 0;
  const late = inUse && !(delay_s !== null && delay_s <= LATE_S);
  if (view.silence?.who === "station")
    return {
      ...told,
      state: "unknown",
      seconds: Number.NaN,
      known: false,
      why: "no word from the station",
      delay_s,
      late,
    };
  const seconds = secondsOf(body, view.cursor.rx);
  const state = body.state === "running" && seconds <= 0 ? "past zero" : body.state;
  const known = Number.isFinite(seconds) && body.state !== "unknown" && body.state !== "flown" && !late;
  return { ...told, state, seconds, known, delay_s, late };
}

/** Seconds before zero at station time rx, negative after it; never past the next hold point: there the count holds. */
export function secondsOf({ state, remaining_s, at_rx, next_hold_s }, rx) {
  if (state !== "running" && state !== "past zero") return remaining_s;
  const seconds = remaining_s - Math.max(0, rx - at_rx);
  return state === "running" && Number.isFinite(next_hold_s) ? Math.max(seconds, next_hold_s) : seconds;
}

/** As people write it: T-0:42, T+0:03; a second counts as whole until it is over. */
export function countText(seconds) {
  if (!Number.isFinite(seconds)) return "T ?";
  const whole = seconds > 0 ? Math.ceil(seconds - 1e-6) : Math.floor(-seconds);
  return `T${seconds > 0 ? "\u2212" : "+"}${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/** Titles of what keeps the count from running at these seconds: red lines, and hold points reached and not met. */
export function stopsOf(items, seconds) {
  const red = items.filter(({ line }) => line.standing === "not met").map(({ title }) => title);
  const unmet = items
    .filter(({ hold_at_s, line }) => Number.isFinite(hold_at_s) && hold_at_s >= seconds && line.standing !== "met")
    .map(({ title, hold_at_s }) => `${title} (${countText(hold_at_s)})`);
  return { red, unmet };
}
