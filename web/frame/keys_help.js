// All keys on one sheet, shown by "?" and put away by Escape.

import { h, setHidden } from "../kit/dom.js";

const GROUPS = [
  [
    "Everywhere",
    [
      ["Shift + Esc", "Safe all"],
      ["1 to 5", "Try, Ready, Watch, Find, Learn"],
      ["D", "Command dock, open or closed"],
      ["A, Shift + A", "Alarms: show, acknowledge the worst, all"],
      ["M", "Sound on or off, but for one alarm"],
      ["?", "These keys"],
      ["Esc", "Close what is open; drop what is ready"],
    ],
  ],
  [
    "In a recording",
    [
      ["Space, K", "Play or pause, pause"],
      ["J, L", "Slower or back, faster"],
      ["Left, Right", "One packet back or on; with Shift a small step"],
      ["Home, End", "Its beginning, its end"],
      ["R", "Loop a stretch"],
    ],
  ],
];

/** @param {HTMLElement} el */
export function KeysHelp(el) {
  const row = ([key, does]) => h("div", {}, h("dt", {}, h("kbd", { text: key })), h("dd", { text: does }));
  const group = ([title, rows]) => h("section", {}, h("h3", { text: title }), h("dl", {}, ...rows.map(row)));
  const close = h("button", { type: "button", class: "act", text: "Close", testid: "keys-close" });
  el.append(h("h2", { text: "Keys" }), ...GROUPS.map(group), close);
  let from = null;
  const help = {
    get open() {
      return !el.hidden;
    },
    show(open) {
      if (open) from = document.activeElement;
      setHidden(el, !open);
      if (open) close.focus();
      else from?.focus?.();
    },
  };
  close.addEventListener("click", () => help.show(false));
  return help;
}
