// What is dangerous to somebody near the vehicle, in a few words that fit into every place. Pure.

import { isSet } from "../session/channel_state.js";
import { armedFamilies, family } from "../session/roles.js";
import { age } from "./format.js";

const WORDS = { channel: "motor" };

/** How long a channel has been armed as far as telemetry has said so; "" when it is not armed. */
export function armedFor(view, role) {
  if (!isSet(view.sample(role))) return "";
  const since = view.since(role);
  return since === undefined ? "" : age(view.cursor.rx - since);
}

/**
 * What is armed or released while the vehicle is on the ground. In flight an armed channel is as it should be.
 * @returns {{armed: string, since: string, released: boolean}} armed channels in words, the longest time one has been
 *   armed, and whether telemetry last said that the firing board is not inhibited
 */
export function dangers(view) {
  if (view.inFlight) return { armed: "", since: "", released: false };
  const lists = armedFamilies(view.store.roles)
    .map((kind) => {
      const names = family(view.store.roles, kind).filter((name) => isSet(view.sample(`${kind}[${name}].armed`)));
      return {
        word: WORDS[kind] ?? kind.replaceAll("_", " "),
        names,
        since: Math.min(...names.map((name) => view.since(`${kind}[${name}].armed`) ?? Infinity)),
      };
    })
    .filter(({ names }) => names.length);
  const since = Math.min(...lists.map((list) => list.since));
  return {
    armed: lists.map(({ word, names }) => `${word} ${names.join(", ")}`).join(" \u00b7 "),
    since: Number.isFinite(since) ? age(view.cursor.rx - since) : "",
    released: view.value("board.inhibited") === 0,
  };
}
