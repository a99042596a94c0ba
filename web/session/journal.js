// The journal: what happened, in order. The latest entry per (topic, key) at or before the cursor is the state.
// What the station judges beside its work comes late; among the texts it stands at the moment it was due.
// A moment or a figure that was taken back is no state: its entry stands in the journal as what happened.

import { lastAtOrBefore } from "./table.js";

export const CAP = 20000;
export const ONE_OFF = new Set(["command", "permit", "trial", "mark"]); // topics with a new key each time
const isOneOff = (entry) => ONE_OFF.has(entry.topic);
const TAKEN_BACK = new Set(["moment", "figure"]);
const isGone = (entry) => TAKEN_BACK.has(entry?.topic) && entry.body?.withdrawn === true;

/**
 * @typedef {{i:number, rx:number, t:number, topic:string, key:string, severity:string, text:string, body:object}} Entry
 */

export class Journal {
  constructor(cap = CAP) {
    this.cap = cap;
    this.next = 0;
    this.#clear();
  }

  /** Add entries in the order of their absolute index; one that is known already is skipped. */
  add(entries) {
    for (const entry of entries) {
      if (entry.i < this.next) continue;
      this.next = entry.i + 1;
      this.#insert(entry);
    }
    if (this.entries.length > this.cap) this.#trim();
  }

  /** Latest entry of (topic, key) at station time rx, or undefined. */
  state(topic, key, rx = Infinity) {
    const line = this.#topics.get(topic)?.get(key);
    const entry = line && this.#latest(line, rx);
    return isGone(entry) ? undefined : entry;
  }

  /** All entries of (topic, key) until station time rx, the oldest first. */
  past(topic, key, rx = Infinity) {
    const line = this.#topics.get(topic)?.get(key);
    return line ? line.entries.slice(0, this.#indexAt(line, rx) + 1) : [];
  }

  /** Latest entry of every key of a topic at station time rx, in the order in which the keys first appeared. */
  states(topic, rx = Infinity) {
    const lines = this.#topics.get(topic);
    if (!lines) return [];
    return [...lines.values()].map((line) => this.#latest(line, rx)).filter((entry) => entry && !isGone(entry));
  }

  /** The newest `count` entries with a text at station time rx, newest first. */
  texts(rx = Infinity, count = 100) {
    const end = this.#spoken.entries.length ? this.#indexAt(this.#spoken, rx) + 1 : 0;
    return this.#spoken.entries.slice(Math.max(0, end - count), end).reverse();
  }

  /** Entries from an absolute index on, in order. */
  from(index) {
    let at = this.entries.length;
    while (at > 0 && this.entries[at - 1].i >= index) at--;
    return this.entries.slice(at);
  }

  /** Entries after one station time and up to another, in order. */
  between(after, until) {
    return this.entries.filter(({ rx }) => rx > after && rx <= until);
  }

  #topics;
  #spoken;

  #clear() {
    this.entries = [];
    this.#topics = new Map();
    this.#spoken = { rx: [], entries: [] };
  }

  #insert(entry) {
    this.entries.push(entry);
    let lines = this.#topics.get(entry.topic);
    if (!lines) {
      lines = new Map();
      this.#topics.set(entry.topic, lines);
    }
    let line = lines.get(entry.key);
    if (!line) {
      line = { rx: [], entries: [] };
      lines.set(entry.key, line);
    }
    push(line, entry);
    if (entry.text) place(this.#spoken, entry);
  }

  #latest(line, rx) {
    return line.entries[this.#indexAt(line, rx)];
  }

  #indexAt(line, rx) {
    return rx === Infinity ? line.rx.length - 1 : lastAtOrBefore(line.rx, line.rx.length, rx);
  }

  // The older half goes, except what is still the state of its key: an alarm raised hours ago stays raised. Of what has
  // a new key each time that would be everything for ever, so events go, and of the others the newest quarter stays.
  #trim() {
    const old = this.entries;
    const cut = old.length >> 1;
    const states = new Set();
    for (const topic of this.#topics.keys())
      if (topic !== "event") for (const entry of this.states(topic)) states.add(entry);
    const kept = old.slice(0, cut).filter((entry) => states.has(entry));
    let spare = kept.filter(isOneOff).length - (this.cap >> 2);
    this.#clear();
    for (const entry of kept) if (!isOneOff(entry) || spare-- <= 0) this.#insert(entry);
    for (const entry of old.slice(cut)) this.#insert(entry);
  }
}

// The search needs ascending times; an entry stamped a little before its predecessor counts as simultaneous with it.
function push(line, entry) {
  const last = line.rx.length ? line.rx[line.rx.length - 1] : -Infinity;
  line.rx.push(Math.max(last, entry.rx));
  line.entries.push(entry);
}

// Among others an entry stands by its own moment; what came at one moment stays in the order it was told in.
function place(line, entry) {
  let at = line.rx.length;
  while (at > 0 && line.rx[at - 1] > entry.rx) at--;
  line.rx.splice(at, 0, entry.rx);
  line.entries.splice(at, 0, entry);
}
