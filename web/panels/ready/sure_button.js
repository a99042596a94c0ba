// A button that asks once more.

import { h, setAttr, setText } from "../../kit/dom.js";

const SURE_WITHIN_MS = 4000;

/** The first press changes its words for a few seconds, the second one acts. */
export class SureButton {
  #until = 0;
  #words;

  constructor(words, sure, testid, done, changed) {
    this.#words = [words, sure];
    this.el = h("button", {
      type: "button",
      class: "act pad-sure",
      testid,
      text: words,
      on: {
        click: () => {
          if (performance.now() < this.#until) {
            this.#until = 0;
            done();
          } else this.#until = performance.now() + SURE_WITHIN_MS;
          changed();
        },
      },
    });
  }

  update(able) {
    if (!able) this.#until = 0;
    setAttr(this.el, "disabled", !able);
    setText(this.el, this.#words[performance.now() < this.#until ? 1 : 0]);
  }
}
