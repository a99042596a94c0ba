// The person at the desk: signs in with the token of the terminal's link, asks, and gives command authority up where it
// must not be held. The one writer of who commands.

import { mayAsk } from "../session/messages.js";

const TOKEN_KEY = "blockhouse.operator";
const NAME_KEY = "blockhouse.name";
const NOT_FROM_HERE = { ok: false, sentence: "No command can be given from here." };

/** The token comes once in the address, leaves it at once, and stays in this tab only. */
export function takeToken(location, history, storage) {
  const match = location.hash.match(/(?:operator|shelf)=([^&]+)/);
  if (match) {
    storage.setItem(TOKEN_KEY, decodeURIComponent(match[1]));
    history.replaceState(null, "", location.pathname + location.search);
  }
  return storage.getItem(TOKEN_KEY);
}

export class Operator {
  #hooks;
  #socket = null;
  #state = null;
  #givingUp = false;

  /**
   * @param {object} hooks
   * @param {Storage} hooks.storage @param {() => boolean} hooks.replaying is a recording looked at?
   * @param {(before: object|null, after: object) => void} hooks.lost authority went away unasked
   * @param {() => void} hooks.changed
   * @param {(token: string, name: string, changed: (state: object) => void) => object} hooks.connect
   *   opens a DeskSocket
   */
  constructor(hooks) {
    this.#hooks = hooks;
  }

  /** {open, operator, holder, yours, others, two_person, asks_leave, sentence}; null without a desk. */
  get state() {
    return this.#state;
  }

  get token() {
    return this.#hooks.storage.getItem(TOKEN_KEY);
  }

  /** Sign in, once there is a token. */
  open() {
    const { storage, connect } = this.#hooks;
    if (!this.token || this.#socket) return;
    this.#socket = connect(this.token, storage.getItem(NAME_KEY) ?? "operator", (state) => this.#moved(state));
    this.#state = this.#socket.state;
  }

  /** Send one message; resolves with the station's reply, or with ok false and a sentence. */
  async ask(message) {
    if (!this.#socket || !mayAsk(message.type, this.#hooks.replaying())) return NOT_FROM_HERE;
    if (message.type !== "release" && message.type !== "give") return this.#socket.ask(message);
    this.#givingUp = true;
    const reply = await this.#socket.ask(message);
    if (!reply.ok) this.#givingUp = false;
    return reply;
  }

  /**
   * Whoever looks at a recording cannot command: authority is given up, also one that comes later. The desk stays
   * signed in, because Safe all must reach the live vehicle from everywhere.
   */
  holdNothing() {
    if (this.#hooks.replaying() && this.#state?.yours) this.ask({ type: "release" });
  }

  /** Another name is another operator: the page signs in anew. */
  rename(name) {
    this.#hooks.storage.setItem(NAME_KEY, name);
    this.#socket?.close();
    this.#socket = null;
    this.open();
    this.#hooks.changed();
  }

  #moved(state) {
    const before = this.#state;
    this.#state = state;
    const isLost = before?.yours && !state.yours;
    if (isLost && !this.#givingUp) this.#hooks.lost(before, state);
    if (isLost) this.#givingUp = false;
    this.holdNothing();
    this.#hooks.changed();
  }
}
