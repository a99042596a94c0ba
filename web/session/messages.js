// What the page knows of commands and of numbers as the station writes them; the other end is server/http/messages.py.

/** The steps of a command in the order in which they can happen. */
export const STEPS = ["asked", "armed", "confirmed", "sent", "accepted", "completed", "verified"];

/** The same for people: a command is made "ready"; "armed" is said only of the vehicle's channels. */
export const STEP_WORDS = { armed: "ready" };

/** What reaches the live station while a recording is shown: making safe, and giving up command authority. */
export const FROM_A_REPLAY = ["safe_all", "release"];

/** May a message be sent to the desk, with a recording open or not? */
export function mayAsk(type, replaying) {
  return !replaying || FROM_A_REPLAY.includes(type);
}

/**
 * What each command state looks like. `tone` picks the drawing, `final` says that nothing more will happen.
 * "unknown" is dangerous, never gray: the command may have been executed.
 */
export const COMMAND_STATES = {
  armed: { tone: "danger", final: false },
  queued: { tone: "busy", final: false },
  sent: { tone: "busy", final: false },
  accepted: { tone: "busy", final: false },
  completed: { tone: "busy", final: false },
  verified: { tone: "good", final: true },
  refused: { tone: "caution", final: true },
  failed: { tone: "danger", final: true },
  unknown: { tone: "danger", final: true },
  cancelled: { tone: "quiet", final: true },
  expired: { tone: "quiet", final: true },
  abandoned: { tone: "caution", final: true },
};

/** The station's words for where a command stands, without reason and particulars: for a place of three words. */
export function shortWords(stateText) {
  return stateText.split(/[:,]/)[0];
}

const WORDS = { nan: NaN, inf: Infinity, "-inf": -Infinity };

/** A number as the station writes it: JSON cannot carry non-finite numbers, so they come as words. */
export function parseNumber(value) {
  if (typeof value === "number") return value;
  if (value === true) return 1;
  if (value === false) return 0;
  return value in WORDS ? WORDS[value] : NaN;
}
