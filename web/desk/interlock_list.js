// The conditions of a command one by one: met or not, with the measured value.

import { h, setAttr, setHidden, setText, setTone, syncList } from "../kit/dom.js";
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

/** @param {(remedy: object) => void} begin the command that makes a condition true, by its own usual path */
export function InterlockList(begin) {
  const el = h("ul", { class: "interlocks", "aria-label": "Conditions", testid: "interlocks" });
  return {
    el,
    update(command, lines) {
      syncList(
        el,
        lines,
        (lock) => `${command.name} ${lock.name}`,
        () => make(begin),
        (node, lock) => {
          setText(node.children[0], MARKS[lock.word]);
          setText(node.children[1], lock.title);
          setText(node.children[2], `${lock.word}${lock.value_text ? ` \u2014 ${tidyText(lock.value_text)}` : ""}`);
          setTone(node, lock.word === "NOT met" ? "warning" : "none");
          node.setAttribute("data-lock", lock.name);
          node.show(lock);
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

function make(begin) {
  let remedy = null;
  const act = h("button", {
    type: "button",
    class: "act lock-act",
    testid: "lock-act",
    hidden: true,
    on: { click: () => begin(remedy) },
  });
  const hand = h("span", { class: "lock-hand", hidden: true });
  const node = h(
    "li",
    { class: "interlock" },
    h("span", { class: "lock-mark", "aria-hidden": "true" }),
    h("span", { class: "lock-title" }),
    h("span", { class: "lock-value" }),
    act,
    hand,
  );
  node.show = (lock) => {
    remedy = lock.remedy ?? null;
    setHidden(act, !remedy?.command);
    setHidden(hand, !remedy || Boolean(remedy.command));
    setText(remedy?.command ? act : hand, remedy?.words ?? "");
    setAttr(act, "disabled", !remedy?.able);
  };
  return node;
}
