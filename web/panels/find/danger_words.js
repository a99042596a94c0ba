// What may still be live on the vehicle that lies there. The first thing anybody reads before walking. Pure.

import { armedFamilies, family } from "../../session/roles.js";

const FAMILIES = { channel: ["motor", "motors"], recovery: ["recovery channel", "recovery channels"] };
const RULE = "approach only when the range is opened; one person";
const LIVE = "may be live, treat as armed";

/**
 * Is it proved that a channel has burned? Said to have fired, not armed, and measured to conduct no more. A channel
 * whose circuit nobody measures is not proved, nor one of which a bit is no yes and no no. That it burned is a fact
 * which silence does not take back.
 */
export function isProvedFired({ fired, armed, continuity }) {
  return fired?.value === 1 && continuity?.value === 0 && (armed === undefined || armed.value === 0);
}

/** Every firing channel: [{family, name, proved}], lateral motors first. */
export function firingChannels(view) {
  const families = [...new Set([...Object.keys(FAMILIES), ...armedFamilies(view.store.roles)])];
  return families.flatMap((kind) =>
    family(view.store.roles, kind)
      .map((name) => {
        const part = (what) => view.sample(`${kind}[${name}].${what}`);
        return { family: kind, name, fired: part("fired"), armed: part("armed"), continuity: part("continuity") };
      })
      .filter(({ fired, armed, continuity }) => fired || armed || continuity)
      .map((channel) => ({ family: channel.family, name: channel.name, proved: isProvedFired(channel) })),
  );
}

function counted(kind, count) {
  const other = kind.replaceAll("_", " ");
  const [one, many] = FAMILIES[kind] ?? [`${other} channel`, `${other} channels`];
  return `${count} ${count === 1 ? one : many}`;
}

/** The line above everything: {text, tone} "danger" while anything may be live. */
export function dangerLine(view) {
  const channels = firingChannels(view);
  if (channels.length === 0)
    return { text: `This vehicle tells nothing of motors or charges: they ${LIVE}; ${RULE}.`, tone: "danger" };
  const unproved = channels.filter(({ proved }) => !proved);
  if (unproved.length === 0)
    return {
      text: `All ${channels.length} channels heard fired, their circuits open. Still ${RULE}.`,
      tone: "none",
    };
  const kinds = [...new Set(unproved.map((one) => one.family))];
  const counts = kinds.map((kind) => counted(kind, unproved.filter((one) => one.family === kind).length)).join(", ");
  return { text: `${counts} not proved fired: ${LIVE}; ${RULE}.`, tone: "danger" };
}
