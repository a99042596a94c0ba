// The two acts of a guarded or hazardous command, as a table. Time is an argument: station seconds (rx).
//
// closed -> open (arguments, interlocks) -> asking -> ready -> confirming -> following (steps shown until closed).
// A routine command goes open -> sending -> following. Nothing leads from open to confirming: there is no one-act way.
// "invited": by the two-person rule another person got the command ready, and this page holds its second act.
// "ready" is the desk's word; "armed" is kept for what the vehicle says of its channels.

export const FLOW = {
  closed: { open: "open", invited: "ready" },
  open: { open: "open", ask_ready: "asking", ask_send: "sending", close: "closed", invited: "ready" },
  sending: { done: "following", refused: "open", close: "closed" },
  asking: { ready: "ready", refused: "open" },
  ready: { ask_confirm: "confirming", ended: "following", cancel: "open", expired: "open", declined: "following" },
  // A refused confirmation takes nothing back at the station: the command is still ready there until its time is over.
  confirming: { done: "following", refused: "ready", ended: "following" },
  following: { open: "open", close: "closed", invited: "ready" },
};

/** The state after an event; the same state when the table has no such row, so a late reply changes nothing. */
export function nextState(state, event) {
  return FLOW[state][event] ?? state;
}

/**
 * The command that waits for this person's second act: got ready by another operator under the two-person rule.
 * @param {object[]} commands command views @param {{open:boolean, operator:string}} desk @param {number[]} left ids
 *   put aside
 */
export function invitation(commands, desk, rx, left) {
  if (!desk?.open) return undefined;
  return commands.find(
    (one) =>
      one.state === "armed" &&
      one.confirm_by === "another" &&
      one.operator !== desk.operator &&
      one.expires_rx > rx &&
      !left.includes(one.id),
  );
}
