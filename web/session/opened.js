// What is looked at: the live session, or a recording with its summary; and the charts asked for of it.

import { Replay } from "./replay.js";

export class Opened {
  #replay = null;
  #summary = null;
  #charts = [];

  /** The replay of the recording that is open; null while the live session is looked at. */
  get replay() {
    return this.#replay;
  }

  get summary() {
    return this.#summary;
  }

  /** The charts picked by hand, each a list of bindings. */
  get charts() {
    return this.#charts;
  }

  /**
   * @param {import("./store.js").Store} store @param {{name: string, label?: string}} session @param {object|null}
   * summary
   */
  open(store, session, summary) {
    this.#replay = new Replay(store, session);
    this.#summary = summary;
    this.#charts = [];
  }

  /** Back to the live session. */
  leave() {
    this.#replay = null;
    this.#summary = null;
    this.#charts = [];
  }

  /**
   * Draw channels in a chart of their own ("new") or in the newest one ("same"), or no longer ("off"). What stands in
   * another chart moves. @param {{table: string, index: number}[]} bindings @param {"new"|"same"|"off"} how
   */
  chart(bindings, how) {
    const isOne = (one) => bindings.some(({ table, index }) => one.table === table && one.index === index);
    const newest = this.#charts.at(-1);
    const kept = this.#charts.map((chart) => chart.filter((one) => !isOne(one)));
    if (how === "same" && newest) kept[kept.length - 1].push(...bindings);
    else if (how !== "off") kept.push([...bindings]);
    this.#charts = kept.filter((chart) => chart.length > 0);
  }
}
