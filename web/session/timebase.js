// Two clocks meet here: t, the vehicle's timeline that people think in, and rx, the station's clock that decides
// what had arrived. The cursor is moved in t and every lookup is made by rx, so a replay shows what the pad saw.

import { lastAtOrBefore } from "./table.js";

export class Timebase {
  /** @param {import("./store.js").Store} store */
  constructor(store) {
    this.tRange = store.tRange;
    this.rxRange = store.rxRange;
    const table = densest(store);
    this.rx = table ? table.rx.subarray(0, table.n) : new Float64Array(0);
    this.t = runningGreatest(table ? table.t.subarray(0, table.n) : new Float64Array(0));
  }

  /** Station time at which the timeline stood at t; the end of the timeline includes all that arrived after it. */
  rxAt(t) {
    if (t >= this.tRange[1]) return this.rxRange[1];
    return between(this.t, this.rx, t);
  }

  /** Timeline seconds at station time rx. */
  tAt(rx) {
    if (rx >= this.rxRange[1]) return this.tRange[1];
    return Math.min(this.tRange[1], Math.max(this.tRange[0], between(this.rx, this.t, rx)));
  }
}

function densest(store) {
  let best;
  for (const table of store.tables.values()) {
    if (!table.meta.computed && table.n > (best?.n ?? 0)) best = table;
  }
  return best;
}

// A late packet has a smaller t than its predecessor; the clock on the page never runs backwards for it.
function runningGreatest(values) {
  const out = new Float64Array(values.length);
  let greatest = -Infinity;
  for (let i = 0; i < values.length; i++) {
    if (values[i] > greatest) greatest = values[i];
    out[i] = greatest;
  }
  return out;
}

function between(from, to, x) {
  const n = from.length;
  if (n === 0) return x;
  const i = lastAtOrBefore(from, n, x);
  if (i < 0) return to[0] + (x - from[0]);
  if (i >= n - 1) return to[n - 1] + (x - from[n - 1]);
  const span = from[i + 1] - from[i];
  const share = span > 0 ? (x - from[i]) / span : 0;
  return to[i] + share * (to[i + 1] - to[i]);
}
