// How far a trial is, run by run, and what past ones of the same plan came to. Pure.

const MOST_CELLS = 60;
const LEAST_BOUND = 0.001;

/**
 * The runs of a trial as cells from left to right: [{share, state}] with `share` of the width each and how much of it
 * is
 * done; several runs are one cell where there are too many. A recording of before tells no steps, only runs.
 * @param {{run: number, runs: number, passed: number, failed: number, step_number?: number, steps?: number}} progress
 */
export function trackCells({ runs, passed, failed, step_number = 0, steps = 0 }) {
  const done = passed + failed;
  const moved = steps > 0 ? (step_number / steps) * runs : done;
  const cells = Math.max(1, Math.min(MOST_CELLS, runs));
  const each = Math.max(1, runs) / cells;
  return Array.from({ length: cells }, (_, i) => {
    const filled = Math.max(0, Math.min(1, (Math.max(moved, done) - i * each) / each));
    return { from: i / cells, to: (i + 1) / cells, filled, bad: failed > 0 && filled > 0 && (i + 1) * each >= done };
  });
}

/** How far a trial is, as a share from 0 to 1, and that in words. */
export function shareDone({ runs, passed, failed, step_number, steps }) {
  const share = steps > 0 ? step_number / steps : runs > 0 ? (passed + failed) / runs : 0;
  const words = steps > 0 ? `step ${step_number} of ${steps}` : `${passed + failed} of ${runs} runs`;
  return { share: Math.min(1, share), words };
}

/** Length of a bound on a failure rate as a share of the bar: logarithmic, from a tenth of a percent to all. */
export function boundShare(bound) {
  if (!(bound > 0)) return 0;
  return Math.max(0.02, Math.min(1, 1 - Math.log(Math.min(1, bound)) / Math.log(LEAST_BOUND)));
}
