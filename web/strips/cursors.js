// The two cursors of a stack: what lies under the pointer, and a second one from which differences are read.

import { h, setAttr, setText } from "../kit/dom.js";
import { fixed } from "../kit/format.js";

const tText = (t) => `T${t < 0 ? "\u2212" : "+"}${fixed(Math.abs(t), 2)} s`;
const HOW = "Press, then press on a strip (or Shift + click on it): from there the differences are read";

/** @param {() => object|undefined} chartOf the first chart of the stack @param {() => void} moved */
export class Cursors {
  #chartOf;
  #moved;
  #pointer = null; // pixels from the left of the plot, while the pointer is over one
  #waiting = false;
  #zero = 0;

  constructor(scroller, chartOf, moved) {
    this.#chartOf = chartOf;
    this.#moved = moved;
    this.second = undefined; // timeline second
    this.reading = h("output", { class: "strips-reading", testid: "strips-reading" });
    const click = () => (this.second === undefined ? this.#wait(!this.#waiting) : this.#set(undefined));
    const look = { type: "button", class: "choice", testid: "strips-measure", title: HOW };
    this.button = h("button", { ...look, on: { click } });
    // Before the caller's own listeners: a click that sets the second cursor goes nowhere else.
    scroller.addEventListener("click", (event) => this.#clicked(event), true);
  }

  /** Another session: both cursors go. */
  forget() {
    this.#pointer = null;
    this.second = undefined;
    this.#waiting = false;
  }

  /** Every chart of the group tells of the pointer over any of them. */
  hovered(chart) {
    const { left } = chart.cursor;
    const next = left >= 0 ? left : null;
    if (next === this.#pointer) return;
    this.#pointer = next;
    this.#moved();
  }

  /** Timeline second under the pointer; undefined without one. */
  pointed(zero) {
    const chart = this.#chartOf();
    return this.#pointer === null || !chart ? undefined : chart.posToVal(this.#pointer, "x") + zero;
  }

  /** @param {number|undefined} here under the pointer @param {number} now where reading stands without a pointer */
  say(here, now, zero) {
    this.#zero = zero;
    const at = here ?? now;
    const both = this.second !== undefined;
    const from = both ? `${tText(this.second - zero)} to ${tText(at - zero)}: ${fixed(at - this.second, 2)} s` : "";
    setText(this.reading, both ? `${from}, differences` : here === undefined ? "" : `at ${tText(at - zero)}`);
    setAttr(this.button, "aria-pressed", String(this.#waiting || both));
    setText(this.button, both ? "One cursor" : this.#waiting ? "Press on a strip\u2026" : "Second cursor");
  }

  #wait(on) {
    this.#waiting = on;
    this.#moved();
  }

  #set(t) {
    this.second = t;
    this.#waiting = false;
    this.#moved();
  }

  #clicked(event) {
    const over = event.target.closest(".u-over");
    const chart = this.#chartOf();
    if (!over || !chart || !(event.shiftKey || this.#waiting)) return;
    event.stopPropagation();
    this.#set(chart.posToVal(event.clientX - over.getBoundingClientRect().left, "x") + this.#zero);
  }
}
