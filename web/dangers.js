// What is dangerous to somebody near the vehicle, in a few words that fit into every place. Pure.

import { age } from "./format.js";
import { family } from "./roles.js";

const KINDS = [["channel", "motor"], ["recovery", "recovery"]];

/** Channels that telemetry last said are armed: {kind, name, words}. */
export function armedChannels(view) {
  return KINDS.flatMap(([kind, word]) => family(view.store.roles, kind)
    .filter((name) => view.value(`${kind}[${name}].armed`) === 1)
    .map((name) => ({ kind, name, words: `${word} ${name} ${armedFor(view, `${kind}[${name}].armed`)}`.trim() })));
}

/** How long a channel has been armed as far as telemetry has said so; "" when it is not armed. */
export function armedFor(view, role) {
  if (view.value(role) !== 1) return "";
  const since = view.since(role);
  return since === undefined ? "" : age(view.cursor.rx - since);
}

/** True when telemetry last said that the firing board is not inhibited. */
export function boardReleased(view) {
  return view.value("board.inhibited") === 0;
}

/**
 * Words for the Alarms cell: what is armed or released while the vehicle is on the ground. In flight an armed channel
 * is as it should be.
 * @returns {{armed: boolean, words: string}}
 */
export function dangers(view) {
  if (view.inFlight) return { armed: false, words: "" };
  const armed = armedChannels(view);
  const words = [armed.length ? `ARMED: ${armed.map((one) => one.words).join(", ")}` : "", boardReleased(view) ? "Board RELEASED" : ""];
  return { armed: armed.length > 0, words: words.filter(Boolean).join(" \u00b7 ") };
}
