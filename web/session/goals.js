// What a flight was for, as the station judged it, in few words. Pure.

/** The outcomes in the order in which they are told, each with its mark and tone. */
export const OUTCOMES = {
  met: { mark: "\u2713", tone: "good" },
  "not met": { mark: "\u2715", tone: "caution" },
  "not tested": { mark: "?", tone: "unknown" },
};

/** "3 met, 1 not tested" */
export function goalsCount(goals) {
  const count = (outcome) => goals.filter((goal) => goal.outcome === outcome).length;
  const parts = Object.keys(OUTCOMES).map((outcome) => [count(outcome), outcome]);
  return parts
    .filter(([number]) => number)
    .map(([number, outcome]) => `${number} ${outcome}`)
    .join(", ");
}

/**
 * What the live session's goals depend on: once it has landed, its moments and figures, which are still being judged
 * for some seconds. "" before.
 */
export function judgedKey(store) {
  const landing = store?.journal.state("moment", "landing");
  if (!landing || landing.body?.withdrawn) return "";
  const figures = store.journal.states("figure").map(({ i }) => i);
  return [store.session, landing.i, ...figures].join(" ");
}
