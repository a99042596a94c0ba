// Keeps one live store in step with the view socket: hello, then fetch, then updates by absolute index.

import { LIVE_ROWS } from "../session/store.js";
import { getStore } from "./api.js";

const KEPT_UPDATES = 400;
const RETRY_MS = 1500;

/** How far the station's clock and the page's may drift apart, seconds per second; crystals keep within half of it. */
const DRIFT = 2e-4;

export class Live {
  /**
   * @param {{changed: () => void, trouble: (sentence: string|null) => void, fetch?: Function, now?: () => number}}
   * hooks
   */
  constructor(hooks) {
    this.hooks = hooks;
    this.store = null;
    this.beat = null;
    this.t = 0;
    this.ahead = 0; // station time less the page's clock, by the message that was least late
    this.heardAt = 0;
    this.waiting = null;
    this.loading = 0;
    this.fetch = hooks.fetch ?? getStore;
    this.now = hooks.now ?? (() => performance.now() / 1000);
  }

  /** Station time now, by the page's own clock, so that ages grow while the station is silent. */
  get rxNow() {
    return this.now() + this.ahead;
  }

  receive(message) {
    if (message.rx_now !== undefined) this.#keepTime(message);
    if (message.type === "hello") this.#hello(message);
    else if (message.type === "update") this.#update(message);
    else if (message.type === "beat") this.beat = message;
    this.hooks.changed();
  }

  // A message that was long on its way must make nothing look younger: the one that was least late counts, until the
  // clocks may have drifted apart. A new connection begins anew.
  #keepTime({ type, rx_now, t_now }) {
    const now = this.now();
    const least = type === "hello" ? -Infinity : this.ahead - DRIFT * (now - this.heardAt);
    this.ahead = Math.max(rx_now - now, least);
    this.t = t_now;
    this.heardAt = now;
  }

  // After a reconnect, the store is kept only when it holds exactly what the station counted.
  #hello(message) {
    this.hello = message;
    if (message.session === null || this.store?.matches(message)) return;
    this.#load(message);
  }

  async #load(message) {
    const mine = ++this.loading;
    this.waiting = [];
    try {
      const store = await this.fetch("live", { cap: LIVE_ROWS, session: message.session });
      if (mine !== this.loading) return;
      for (const update of this.waiting) store.update(update);
      this.waiting = null;
      this.store = store;
      this.hooks.trouble(null);
    } catch (error) {
      if (mine !== this.loading) return;
      this.hooks.trouble(error.message);
      setTimeout(() => mine === this.loading && this.#load(message), RETRY_MS);
    }
    this.hooks.changed();
  }

  #update(message) {
    if (!this.waiting) {
      this.store?.update(message);
      return;
    }
    this.waiting.push(message);
    // Too slow a fetch: the oldest updates go, the jump in the index will show as a gap.
    if (this.waiting.length > KEPT_UPDATES) this.waiting.shift();
  }
}
