// The desk socket: the operator's way to the station. Every message carries a number and gets one reply.

const ALIVE_MS = 1000;
const REPLY_MS = 4000;
const RETRY_MS = 2000;

export class DeskSocket {
  /**
   * @param {string} url @param {string} token @param {string} name
   * @param {(state: object) => void} changed called with {open, operator, holder, yours, others, two_person,
   *   asks_leave, sentence}
   */
  constructor(url, token, name, changed) {
    Object.assign(this, { url, token, name, changed });
    this.state = {
      open: false,
      operator: null,
      holder: null,
      yours: false,
      others: [],
      two_person: false,
      asks_leave: "",
      sentence: "Signing in.",
    };
    this.number = 0;
    this.waiting = new Map();
    this.closed = false;
    this.#open();
    this.alive = setInterval(() => this.state.open && this.#send({ type: "alive" }), ALIVE_MS);
  }

  /** Send one message; resolves with the reply, or with ok false and a sentence. Never rejects. */
  ask(message) {
    if (!this.state.open)
      return Promise.resolve({ ok: false, sentence: "Not connected to the station: nothing was sent." });
    const n = ++this.number;
    return new Promise((resolve) => {
      const late = () =>
        this.#answer(n, {
          ok: false,
          late: true,
          sentence: "The station did not reply. Look at the recent commands before you try again.",
        });
      this.waiting.set(n, { resolve, timer: setTimeout(late, REPLY_MS) });
      this.#send({ ...message, n });
    });
  }

  /** Sign out for good. */
  close() {
    this.closed = true;
    clearInterval(this.alive);
    clearTimeout(this.timer);
    this.socket?.close();
    this.#fail();
  }

  #open() {
    const socket = new WebSocket(this.url);
    this.socket = socket;
    socket.onopen = () => this.#send({ type: "sign_in", token: this.token, name: this.name });
    socket.onmessage = (event) => this.#receive(JSON.parse(event.data));
    socket.onclose = () => {
      this.#fail();
      this.#set({
        open: false,
        yours: false,
        holder: null,
        others: [],
        sentence: "The desk is not connected. Trying again.",
      });
      if (!this.closed) this.timer = setTimeout(() => this.#open(), RETRY_MS);
    };
  }

  #receive(message) {
    if (message.type === "signed_in") this.#signedIn(message);
    else if (message.type === "authority") this.#set(authorityOf(message));
    else if (message.type === "reply" && message.n !== undefined && message.n !== null)
      this.#answer(message.n, message);
    else if (message.type === "reply") this.#set({ sentence: message.sentence });
  }

  #signedIn({ operator, authority }) {
    this.#set({ open: true, operator, ...authorityOf(authority), sentence: "" });
  }

  #answer(n, reply) {
    const waiting = this.waiting.get(n);
    if (!waiting) return;
    clearTimeout(waiting.timer);
    this.waiting.delete(n);
    waiting.resolve(reply);
  }

  #fail() {
    for (const n of [...this.waiting.keys()]) {
      this.#answer(n, { ok: false, late: true, sentence: "The connection to the station broke before it replied." });
    }
  }

  #send(message) {
    if (this.socket.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(message));
  }

  #set(change) {
    this.state = { ...this.state, ...change };
    if (!this.closed) this.changed(this.state);
  }
}

function authorityOf({ holder, yours, others = [], two_person = false, asks_leave = "" }) {
  return { holder, yours, others, two_person, asks_leave };
}
