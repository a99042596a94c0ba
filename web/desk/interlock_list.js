// The conditions of a command one by one: met or not, with the measured value.

import { h, setText, setTone, syncList } from "../kit/dom.js";
import { fixed, withSigns } from "../kit/format.js";

/**
 * What to show: the dictionary's conditions in order until the station has looked, then the station's own list, which
 * also tells whether another command is in the way.
 */
export function lockLines(declared, looked) {
  const list = looked ?? declared ?? [];
  return list.map((lock) => ({ ...lock, word: lock.met === undefined ? "checking" : lock.met ? "met" : "NOT met" }));
}

const MARKS = { checking: "\u2026", met: "\u2713", "NOT met": "\u2715" };

export function InterlockList() {
  const el = h("ul", { class: "interlocks", "aria-label": "Conditions", testid: "interlocks" });
  return {
    el,
    update(command, lines) {
      syncList(
        el,
        lines,
        (lock) => `${command.name} ${lock.name}`,
        make,
        (node, lock) => {
          setText(node.children[0], MARKS[lock.word]);
          setText(node.children[1], lock.title);
          setText(node.children[2], `${lock.word}${lock.value_text ? ` \u2014 ${tidyText(lock.value_text)}` : ""}`);
          setTone(node, lock.word === "NOT met" ? "warning" : "none");
          node.setAttribute("data-lock", lock.name);
        },
      );
    },
  };
}

// The station writes measured values in full; a person needs no more than three decimals.
function tidyText(text) {
  const number = Number(text);
  return String(text).trim() !== "" && Number.isFinite(number) && !Number.isInteger(number)
    ? fixed(number, 3)
    : withSigns(text);
}

function make() {
  return h(
    "li",
    { class: "interlock" },
    h("span", { class: "lock-mark", "aria-hidden": "true" }),
    h("span", { class: "lock-title" }),
    h("span", { class: "lock-value" }),
  );
}
