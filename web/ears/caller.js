// Which of the waiting calls is spoken, and when: the highest rank first, of equal rank the newest, none that is old.
// What may never be missed takes the word from any other, comes again while it stands, and no mute key silences it.
// Time is an argument (seconds of the station's clock); what speaks is given.

const AGAIN_S = 4;
const SAME_S = 60; // the same words of the same thing within this are not news
const KEPT = 50;

export class Caller {
  /**
   * @param {{speak: (words: string, ended: () => void) => void, stop: () => void, tone: (name: string) => void}} mouth
   */
  constructor(mouth) {
    this.#mouth = mouth;
  }

  /** Only what may never be missed is heard. */
  muted = false;
  /** In a recording or a rehearsal every call begins with a word that says so. */
  prefix = "";
  /** What became of calls, the newest last: {words, rx, at, what: "said" | "old" | "muted" | "interrupted"}. */
  log = [];

  #mouth;
  #waiting = [];
  #now = null;
  #urgent = null; // {call, at}

  /** A call that has come; spoken at once when nothing is. */
  offer(call, rx) {
    if (this.muted && !call.urgent) {
      this.#note(call, rx, "muted");
      return;
    }
    if (!call.urgent && !call.repeats && this.#wasSaid(call, rx)) return;
    this.#waiting.push(call);
    if (call.urgent) this.#urgent = { call, at: rx };
    this.pump(rx);
  }

  /** What may never be missed is over. */
  relieve() {
    this.#urgent = null;
  }

  /** Forget everything that waits: another session, or another place in it. */
  clear() {
    this.#waiting = [];
    this.#urgent = null;
    if (this.#now) this.#mouth.stop();
    this.#now = null;
  }

  /** Speak what is due at this second. */
  pump(rx) {
    if (this.#urgent && rx - this.#urgent.at >= AGAIN_S && !this.#now?.urgent) {
      this.#urgent.at = rx;
      this.#waiting.push({ ...this.#urgent.call, rx });
    }
    const old = this.#waiting.filter((call) => rx - call.rx > call.lives_s);
    for (const call of old) this.#note(call, rx, "old");
    this.#waiting = this.#waiting.filter((call) => rx - call.rx <= call.lives_s);
    const next = this.#next();
    if (!next) return;
    if (this.#now) {
      if (!next.urgent || this.#now.urgent) return;
      this.#note(this.#now, rx, "interrupted");
      this.#mouth.stop();
    }
    this.#waiting.splice(this.#waiting.indexOf(next), 1);
    this.#say(next, rx);
  }

  #next() {
    return this.#waiting.reduce(
      (best, call) => (!best || call.rank > best.rank || (call.rank === best.rank && call.rx >= best.rx) ? call : best),
      null,
    );
  }

  #say(call, rx) {
    this.#now = call;
    this.#note(call, rx, "said");
    this.#mouth.tone(call.tone);
    const words = this.prefix ? `${this.prefix}: ${call.words}` : call.words;
    this.#mouth.speak(words, () => {
      if (this.#now === call) this.#now = null;
    });
  }

  #wasSaid({ words }, rx) {
    return this.log.some((one) => one.what === "said" && one.words === words && Math.abs(rx - one.at) < SAME_S);
  }

  #note({ words, rx }, at, what) {
    this.log.push({ words, rx, at, what });
    if (this.log.length > KEPT) this.log.shift();
  }
}
