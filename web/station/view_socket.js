// The view socket: what the station tells everybody. The page never sends on it. Reconnects by itself, notices
// silence by itself (a browser shows no pings), and drops everything after the tab has slept.

const RETRY_S = [0.5, 1, 2, 4, 5];

/** Seconds without any message after which the station counts as silent. */
const SILENT_S = 2;

/** A check that comes this much later than planned means that the tab or the laptop slept. */
const SLEPT_S = 5;
const CHECK_MS = 250;

/** What to offer: with an operator's token the station gives the page a place and a way of its own. */
export function offered(token) {
  return /^[\w-]+$/.test(token ?? "") ? ["view", `operator.${token}`] : [];
}

export class ViewSocket {
  /**
   * @param {string} url @param {string|null} token the operator's
   * @param {{message: (message: object) => void, changed: () => void}} listener
   */
  constructor(url, token, listener) {
    this.url = url;
    this.offered = offered(token);
    this.listener = listener;
    this.tries = 0;
    this.lastMessage = performance.now();
    this.lastCheck = Date.now();
    /** When the last message came, in ms, once that is too long ago; else null. */
    this.silentSince = null;
    this.open();
    setInterval(() => this.#check(), CHECK_MS);
  }

  open() {
    this.#drop();
    const socket = new WebSocket(this.url, this.offered);
    this.socket = socket;
    socket.onmessage = (event) => {
      if (this.socket !== socket) return;
      this.tries = 0;
      this.lastMessage = performance.now();
      this.#setSilent(null);
      this.listener.message(JSON.parse(event.data));
    };
    socket.onclose = () => {
      if (this.socket === socket) this.#retry();
    };
  }

  #drop() {
    clearTimeout(this.timer);
    const old = this.socket;
    this.socket = null;
    old?.close();
  }

  #retry() {
    this.socket = null;
    const wait = RETRY_S[Math.min(this.tries++, RETRY_S.length - 1)];
    this.timer = setTimeout(() => this.open(), 1000 * wait);
  }

  #check() {
    const now = Date.now();
    const slept = now - this.lastCheck - CHECK_MS > 1000 * SLEPT_S;
    this.lastCheck = now;
    if (slept) this.open();
    if (performance.now() - this.lastMessage > 1000 * SILENT_S && this.silentSince === null) {
      this.#setSilent(this.lastMessage);
    }
  }

  #setSilent(since) {
    if (since === this.silentSince) return;
    this.silentSince = since;
    this.listener.changed();
  }
}
