// What the station found wrong or nearly so, as it stands.

/** Findings at the cursor, or of the whole session, that were not taken back: warnings first, then by time. */
export function findingsOf(view, whole = false) {
  const rank = ({ severity }) => (severity === "warning" ? 0 : 1);
  return (whole ? view.finalStates("finding") : view.states("finding"))
    .filter((entry) => entry.text && !entry.body.withdrawn)
    .sort((a, b) => rank(a) - rank(b) || (a.body.t ?? 0) - (b.body.t ?? 0));
}
