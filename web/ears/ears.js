// For eyes on the sky: what the journal says is called out, live and in a replay at its own speed; the tab's title says
// phase and height; the screen stays awake while the vehicle is heard; a phone shakes. Never a second source of truth.

import { lengthText, sentence } from "../kit/format.js";
import { rehearsalOf } from "../session/rehearsal.js";
import { Caller } from "./caller.js";
import { AS_READ, callOf, HEADS_UP, RANK } from "./calls.js";
import { Mouth } from "./mouth.js";

const KEY = "blockhouse.sound";
const STEP_S = 1; // a cursor that goes further at once was moved by hand
const REHEARSAL = "rehearsal";
const ON_THE_BENCH = {
  key: "rehearsal",
  words: "on the bench, nothing of this flies",
  tone: "tick",
  rank: RANK.alarm,
  lives_s: 4,
  urgent: false,
  repeats: true,
};
const SHAKES = {
  [RANK.urgent]: [300, 100, 300, 100, 300],
  [RANK.alarm]: [200, 100, 200],
  [RANK.moment]: [80],
  [RANK.progress]: [],
};

export class Ears {
  /** @param {typeof globalThis} world @param {() => void} changed */
  constructor(world, changed) {
    this.#world = world;
    this.#changed = changed;
    this.mouth = new Mouth(world);
    this.caller = new Caller(this.mouth);
    this.caller.muted = world.localStorage.getItem(KEY) === "off";
    const wake = () => {
      const slept = !this.mouth.awake;
      this.mouth.wake();
      if (slept) changed();
    };
    for (const press of ["pointerdown", "keydown"]) world.document.addEventListener(press, wake);
    world.document.addEventListener("visibilitychange", () => this.#keepAwake());
  }

  #world;
  #changed;
  #heard = {}; // {store, next (index) or rx}: up to where was listened
  #lock = null;
  #title = "";
  #wantsLock = false;

  get muted() {
    return this.caller.muted;
  }

  /** One key for everything but the one alarm that may never be missed; remembered. */
  toggle() {
    this.caller.muted = !this.caller.muted;
    this.#world.localStorage.setItem(KEY, this.caller.muted ? "off" : "on");
    if (this.caller.muted) this.caller.clear();
    this.#changed();
  }

  /** Say what can be heard, so that a person can set the volume before the flight. Returns what to expect in words. */
  test() {
    this.mouth.wake();
    this.mouth.tone("rise");
    this.mouth.speak(`sound test: ${AS_READ.length(42)} up, thrust is over`, () => {});
    const voice = this.mouth.voice ? "and a sentence" : "alone: this system has no voice of its own";
    return `Sound test: three rising tones ${voice}. Not heard? Turn the computer's volume up.`;
  }

  /**
   * The live session has grown: call what is new. What was there when the page came is history. `late`: what comes may
   * be over half a second old, so no second of the count is called.
   */
  live(store, rx, late = false) {
    const heard = this.#heard;
    this.#heard = { store, next: store.journal.next };
    if (heard.store !== store) {
      this.caller.clear();
      return;
    }
    this.#begin(rehearsalOf(store) ? REHEARSAL : "", rx);
    for (const entry of store.journal.from(heard.next)) {
      if (!(late && entry.topic === "count" && entry.key === "second")) this.#take(entry, rx);
    }
    this.caller.pump(rx);
  }

  /** A recording plays at its own speed: call what its cursor has passed since last time. Else nothing is called. */
  replay(store, rx, plays) {
    const heard = this.#heard;
    this.#heard = { store, rx };
    const past = heard.store === store ? rx - heard.rx : Number.NaN;
    if (past === 0) return;
    if (!plays || !(past > 0 && past < STEP_S)) {
      this.caller.clear();
      return;
    }
    this.#begin(rehearsalOf(store, rx) ? REHEARSAL : "replay", rx);
    for (const entry of store.journal.between(heard.rx, rx)) this.#take(entry, rx);
    this.caller.pump(rx);
  }

  /** Every call begins with this word; a rehearsal is said to be one when it begins as well. */
  #begin(prefix, rx) {
    const begins = prefix === REHEARSAL && this.caller.prefix !== REHEARSAL;
    this.caller.prefix = prefix;
    if (begins) this.caller.offer({ ...ON_THE_BENCH, rx }, rx);
  }

  #take(entry, rx) {
    if (entry.topic === "alarm" && entry.key === HEADS_UP && entry.body.state !== "raised") this.caller.relieve();
    const call = callOf(entry, AS_READ, this.#heard.store.dictionary?.map);
    if (!call) return;
    this.caller.offer(call, rx);
    if (!this.muted || call.urgent) this.#world.navigator.vibrate?.(SHAKES[call.rank]);
  }

  /** Write phase and height into the tab's title, and keep the screen on while a vehicle is heard. */
  update(view, mode) {
    const title = titleOf(view, mode);
    // Written only when it is another one: the browser takes each writing for news.
    if (title !== this.#title) {
      this.#title = title;
      this.#world.document.title = title;
    }
    this.#wantsLock = Boolean(view?.cursor.live && !view.silence);
    this.#keepAwake();
  }

  async #keepAwake() {
    const { navigator, document } = this.#world;
    if (!navigator.wakeLock || document.hidden) return;
    if (this.#wantsLock && !this.#lock) {
      this.#lock = "asked";
      this.#lock = await navigator.wakeLock.request("screen").catch(() => null);
      this.#lock?.addEventListener("release", () => {
        this.#lock = null;
      });
    } else if (!this.#wantsLock && this.#lock?.release) this.#lock.release();
  }
}

/** "Coast 106 m - Blockhouse", "Silent - Blockhouse": what a tab behind others still tells. */
export function titleOf(view, mode) {
  const name = `Blockhouse \u2014 ${mode ?? "waiting"}`;
  if (!view) return name;
  if (!view.cursor.live) return `Replay \u2014 ${name}`;
  if (view.silence) return `${view.silence.who === "station" ? "No station" : "Silent"} \u2014 ${name}`;
  const phase = view.state("phase", "ground")?.body?.phase;
  if (!phase) return name;
  const height = view.inFlight ? ` ${lengthText(view.value("ground.height"))}` : "";
  return `${sentence(phase)}${height} \u2014 ${name}`;
}
