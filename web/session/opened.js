// What is looked at: the live session, or a recording with its summary; and the strips asked for of it.

import { Replay } from "./replay.js";

export class Opened {
  #replay = null;
  #summary = null;
  #strips = [];

  /** The replay of the recording that is open; null while the live session is looked at. */
  get replay() {
    return this.#replay;
  }

  get summary() {
    return this.#summary;
  }

  /** Bindings of the channels that stand as strips of their own. */
  get strips() {
    return this.#strips;
  }

  /**
   * @param {import("./store.js").Store} store @param {{name: string, label?: string}} session @param {object|null}
   * summary
   */
  open(store, session, summary) {
    this.#replay = new Replay(store, session);
    this.#summary = summary;
    this.#strips = [];
  }

  /** Back to the live session. */
  leave() {
    this.#replay = null;
    this.#summary = null;
    this.#strips = [];
  }

  /** Show a channel as a strip, or no longer. @param {{table: string, index: number}} binding */
  toggleStrip(binding) {
    const without = this.#strips.filter((one) => one.table !== binding.table || one.index !== binding.index);
    this.#strips = without.length < this.#strips.length ? without : [...this.#strips, binding];
  }
}
