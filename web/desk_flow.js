// The two acts of a guarded or hazardous command, as a table. Time is an argument: station seconds (rx).
//
// closed -> open (arguments, interlocks) -> arming -> armed -> confirming -> following (steps shown until closed).
// A routine command goes open -> sending -> following. Nothing leads from open to confirming: there is no one-act way.

export const FLOW = {
  closed: { open: "open" },
  open: { open: "open", ask_arm: "arming", ask_send: "sending", close: "closed" },
  sending: { done: "following", refused: "open", close: "closed" },
  arming: { armed: "armed", refused: "open" },
  armed: { ask_confirm: "confirming", ended: "following", cancel: "open", expired: "open" },
  confirming: { done: "following", refused: "open", ended: "following" },
  following: { open: "open", close: "closed" },
};

/** The state after an event; the same state when the table has no such row, so a late reply changes nothing. */
export function nextState(state, event) {
  return FLOW[state][event] ?? state;
}

/**
 * May the second act begin now?
 * @param {{earliest_confirm_rx:number, expires_rx:number}} arm the station's reply to arm
 * @returns {"early"|"open"|"late"}
 */
export function confirmWindow(arm, rx) {
  if (rx < arm.earliest_confirm_rx) return "early";
  return rx <= arm.expires_rx ? "open" : "late";
}

/** Press and hold: completes only after an unbroken second. Times in milliseconds of any steady clock. */
export class Hold {
  constructor(length = 1000) {
    this.length = length;
    this.since = null;
  }

  press(now) {
    if (this.since === null) this.since = now;
  }

  release() {
    this.since = null;
  }

  /** Share of the hold that is done, 0 to 1. */
  progress(now) {
    return this.since === null ? 0 : Math.min(1, (now - this.since) / this.length);
  }
}
