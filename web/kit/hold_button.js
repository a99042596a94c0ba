// The second act of a command: press and hold for one second, by mouse, touch, or Enter or Space held.
// Letting go at any time starts over.

import { h, setAttr, setHidden } from "./dom.js";

/** Press and hold: completes only after an unbroken second. Times in milliseconds of any steady clock. */
export class Hold {
  constructor(length = 1000) {
    this.length = length;
    this.since = null;
  }

  press(now) {
    if (this.since === null) this.since = now;
  }

  release() {
    this.since = null;
  }

  /** Share of the hold that is done, 0 to 1. */
  progress(now) {
    return this.since === null ? 0 : Math.min(1, (now - this.since) / this.length);
  }
}

/** @param {() => void} done called once after an unbroken second */
export function HoldButton(done) {
  const hold = new Hold();
  const bar = h("span", { class: "hold-bar" });
  const word = h("span", { class: "hold-word", text: "2  Hold to confirm" });
  const el = h("button", { type: "button", class: "hold", testid: "desk-confirm" }, bar, word);
  let able = false;

  function press(event) {
    if (!able || event.repeat) return;
    hold.press(performance.now());
    requestAnimationFrame(turn);
  }
  function release() {
    hold.release();
    bar.style.transform = "scaleX(0)";
  }
  function turn() {
    const share = hold.progress(performance.now());
    bar.style.transform = `scaleX(${share})`;
    if (hold.since === null) return;
    if (share < 1) {
      requestAnimationFrame(turn);
      return;
    }
    release();
    if (able) {
      able = false;
      done();
    }
  }
  const isKey = (event) => event.key === "Enter" || event.key === " ";
  el.addEventListener("pointerdown", (event) => {
    if (event.button === 0) {
      el.setPointerCapture(event.pointerId);
      press(event);
    }
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture", "blur"]) el.addEventListener(name, release);
  el.addEventListener("keydown", (event) => {
    if (isKey(event)) {
      event.preventDefault();
      press(event);
    }
  });
  el.addEventListener("keyup", (event) => {
    if (isKey(event)) {
      event.preventDefault();
      release();
    }
  });
  el.addEventListener("contextmenu", (event) => event.preventDefault());

  return {
    el,
    show(visible, gate, title) {
      setHidden(el, !visible);
      able = visible && gate === "open";
      if (!able) release();
      // aria-disabled, not disabled: the control keeps the keyboard's focus while its window is about to open.
      setAttr(el, "aria-disabled", able ? null : "true");
      setAttr(el, "aria-label", `Hold to confirm, one second: ${title}`);
    },
  };
}
