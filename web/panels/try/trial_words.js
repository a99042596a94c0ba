// What the journal says of a bench trial, and how that is said and shown. Pure.

import { confirmWindow } from "../../kit/confirm_window.js";

export const STATES = {
  armed: { word: "ready, waiting for the second act", tone: "caution" },
  cancelled: { word: "taken back before anything was sent", tone: "none" },
  expired: { word: "time ran out, nothing was sent", tone: "none" },
  running: { word: "running", tone: "busy" },
  passed: { word: "passed", tone: "good" },
  failed: { word: "failed", tone: "danger" },
  stopped: { word: "stopped by a person", tone: "caution" },
  interrupted: { word: "ended, because the station was restarted; treat everything as armed", tone: "danger" },
};

/** The newest trial at the cursor with the state it is in now: what nobody confirmed in time has ended by itself. */
export function newestTrial(view) {
  const entry = view
    .states("trial")
    .reduce((newest, one) => (!newest || one.rx >= newest.rx ? one : newest), undefined);
  if (!entry) return undefined;
  const trial = { ...entry.body, entry };
  if (trial.state !== "armed") return trial;
  const permit = trial.permit ? view.state("permit", trial.permit)?.body : undefined;
  if (permit?.state === "ended") return { ...trial, state: "expired", why: permit.reason };
  return confirmWindow(trial, view.cursor.rx) === "late" ? { ...trial, state: "expired" } : trial;
}

/** One sentence about a trial. */
export function trialSentence(trial) {
  const { plan, progress, result, state } = trial;
  const parts = [`${plan.title}: ${trial.why ? `no longer ready, ${trial.why}` : (STATES[state]?.word ?? state)}`];
  if (state === "running" && progress) {
    parts.push(
      progress.run
        ? `run ${progress.run} of ${progress.runs}, cycle ${progress.cycle} of ${progress.cycles}`
        : progress.state,
    );
    if (progress.variant) parts.push(progress.variant);
    if (progress.step) parts.push(progress.step);
  }
  if (result) parts.push(`${result.passed} of ${result.runs} runs passed`);
  if (result?.cause) parts.push(result.cause);
  if (result && !result.safe) parts.push("NOT seen to be safe: treat everything as armed");
  return parts.join(" \u00b7 ");
}

/** How a trial looks: what nobody has seen safe is dangerous, whatever its score. */
export function trialTone({ state, result }) {
  return result && !result.safe ? "danger" : (STATES[state]?.tone ?? "none");
}

/** "1 cycle", "2 cycles". */
export const countOf = (count, word) => `${count} ${word}${count === 1 ? "" : "s"}`;

const CYCLES_AT_MOST = 10000;

/** Number of cycles as typed: a whole number in range, or NaN. */
export function cyclesOf(text) {
  return /^\s*\d{1,5}\s*$/.test(text) && Number(text) >= 1 && Number(text) <= CYCLES_AT_MOST ? Number(text) : NaN;
}
