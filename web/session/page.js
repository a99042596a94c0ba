// What panels are told beside telemetry, put together for one drawing from the stores that each keep their own part.
// Pure.

/**
 * @param {object} parts
 * @param {object|null} parts.about what the station says of itself @param {boolean} parts.canKeep may notes be written?
 * @param {import("./opened.js").Opened} parts.opened @param {object} parts.shelf see station/shelf.js
 * @param {object} parts.trials the trial plans, see station/trial_plans.js
 * @param {object} parts.rehearsals what came of rehearsals, see station/rehearsals.js
 * @param {object|null} parts.desk who commands; null without a desk @param {object|null} parts.beat the station's last
 *   beat
 * @param {number|null} parts.delay_s how late what is
 *   shown may be, null while unknown
 * @param {number|null} parts.silentSince when the station was last heard, in ms, once that is too long ago
 * @param {import("./store.js").Store|null} parts.live the live session @param {number} parts.now ms
 */
export function pageOf(parts) {
  const {
    about,
    canKeep,
    opened,
    shelf,
    trials,
    rehearsals,
    desk,
    beat,
    silentSince,
    delay_s = null,
    live,
    now,
  } = parts;
  const { replay, summary, charts } = opened;
  const { sessions, trash, comparison, onboard, plans, goals } = shelf;
  return Object.freeze({
    about,
    mode: about?.mode ?? null,
    canKeep,
    replay,
    summary,
    charts,
    sessions,
    trash,
    comparison,
    onboard,
    plans,
    goals,
    trials,
    rehearsals,
    desk,
    beat,
    silentSince,
    delay_s,
    now,
    canCommand: Boolean(desk?.open && desk.yours && !replay && silentSince === null),
    simulated: Boolean((replay?.store ?? live)?.dictionary.simulated),
  });
}
