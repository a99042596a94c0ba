// Keeps one live store in step with the view socket: hello, then fetch, then updates by absolute index.

import { LIVE_ROWS } from "../session/store.js";
import { getStore } from "./api.js";

const KEPT_UPDATES = 400;
const RETRY_MS = 1500;

export class Live {
  /**
   * @param {{changed: () => void, trouble: (sentence: string|null) => void, fetch?: Function, now?: () => number}}
   * hooks
   */
  constructor(hooks) {
    this.hooks = hooks;
    this.store = null;
    this.beat = null;
    this.rx = 0;
    this.t = 0;
    this.heardAt = 0;
    this.waiting = null;
    this.loading = 0;
    this.fetch = hooks.fetch ?? getStore;
    this.now = hooks.now ?? (() => performance.now() / 1000);
  }

  /** Station time now: the last one heard plus what has passed since, so that ages grow while the station is silent. */
  get rxNow() {
    return this.rx + (this.now() - this.heardAt);
  }

  receive(message) {
    if (message.rx_now !== undefined) [this.rx, this.t, this.heardAt] = [message.rx_now, message.t_now, this.now()];
    if (message.type === "hello") this.#hello(message);
    else if (message.type === "update") this.#update(message);
    else if (message.type === "beat") this.beat = message;
    this.hooks.changed();
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
