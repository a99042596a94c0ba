// How late the station's messages reach this page, at most: the station is asked for its time, and all of the round
// trip is taken for the way to here. A page that never measured knows no delay.

const ASK_S = 5;
const KEPT_S = 60; // meanwhile two clocks drift apart by milliseconds
const SHOWN_S = 1.5; // the greatest of so long is shown, so that the number does not flicker
const WAIT_MS = 4000;

export class Delay {
  /**
   * @param {{ask: (signal: AbortSignal) => Promise<{rx_now: number}>, now: () => number, changed: () => void}} hooks
   */
  constructor({ ask, now, changed }) {
    this.#ask = ask;
    this.#now = now;
    this.#changed = changed;
  }

  #ask;
  #now;
  #changed;
  #bounds = []; // [when, station time less the page's clock, at most]
  #late = []; // [when, seconds]
  #asked = -Infinity;
  #asking = false;

  /** Seconds that what is shown may be late; null while unknown. */
  get seconds() {
    if (!this.#bounds.length || !this.#late.length) return null;
    return Math.max(...this.#late.map(([, late]) => late));
  }

  /** A message of the station's came that says its time. */
  message(rx_now) {
    if (!this.#bounds.length || !Number.isFinite(rx_now)) return;
    const now = this.#now();
    const ahead = Math.min(...this.#bounds.map(([, bound]) => bound));
    this.#late = this.#late.filter(([when]) => now - when < SHOWN_S);
    this.#late.push([now, Math.max(0, now + ahead - rx_now)]);
  }

  /** Ask for the station's time when that is due; `wanted`: somebody looks at a count. */
  async tick(wanted) {
    const sent = this.#now();
    if (!wanted || this.#asking || sent - this.#asked < ASK_S) return;
    this.#asking = true;
    this.#asked = sent;
    try {
      const { rx_now } = await this.#ask(AbortSignal.timeout(WAIT_MS));
      if (Number.isFinite(rx_now)) {
        // The station's time when the answer came is at most what it said and all of the trip: rx + (now - sent).
        this.#bounds = this.#bounds.filter(([when]) => sent - when < KEPT_S);
        this.#bounds.push([sent, rx_now - sent]);
      }
    } catch {
      // Not answered: the page knows by its socket whether the station is there.
    }
    this.#asking = false;
    this.#changed();
  }

  /** Another connection, another clock. */
  forget() {
    this.#bounds = [];
    this.#late = [];
    this.#asked = -Infinity;
  }
}
