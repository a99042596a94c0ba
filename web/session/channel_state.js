// What state a firing channel is in, from telemetry alone and with its age. Pure.

/** Does telemetry say so? Whatever is not zero does, as for the station: one odd number is enough to keep away. */
export const isSet = (sample) => sample?.value !== undefined && sample.value !== 0;

/**
 * @typedef {"unknown"|"fired"|"armed"|"inhibited"|"continuous"|"open"} ChannelState
 *
 * Older than two seconds is "unknown" and drawn as dangerous: it may be armed. "armed" outranks "inhibited", because
 * one bit that says armed is enough to keep away. That it fired is a fact and stays one.
 * @param {{continuity?:object, armed?:object, fired?:object, inhibited?:object}} samples View samples; any may be
 *   absent
 * @returns {{state: ChannelState, word: string, tone: string}}
 */
export function channelState({ continuity, armed, fired, inhibited }) {
  const basis = [armed, continuity, fired].filter(Boolean);
  const bad = basis.length === 0 || basis.some((one) => one.stale || !Number.isFinite(one.value));
  // A burned igniter stays burned, whoever is silent; one that still conducts may not have burned.
  const isSpent = fired?.value === 1 && [armed, continuity].every((one) => !one || one.value === 0);
  if (bad && isSpent) return { state: "fired", word: "Fired", tone: "fired" };
  if (bad) return { state: "unknown", word: "Unknown \u2014 treat as armed", tone: "danger" };
  if (isSet(armed)) return { state: "armed", word: "ARMED", tone: "danger" };
  if (isSet(fired)) return { state: "fired", word: "Fired", tone: "fired" };
  if (continuity && continuity.value !== 1) return { state: "open", word: "Open, no igniter seen", tone: "caution" };
  if (inhibited && (inhibited.stale || inhibited.value === 1))
    return { state: "inhibited", word: "Safe, board inhibited", tone: "none" };
  return { state: "continuous", word: continuity ? "Safe, continuous" : "Safe", tone: "none" };
}
