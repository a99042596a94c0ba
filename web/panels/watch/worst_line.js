// One line over the whole width: the worst thing now, in words; and once it lies, or is lost on its way down, the way
// to it.

import { h, setAttr, setHidden, setText, setTone } from "../../kit/dom.js";
import { pace } from "./pace.js";
import { worstOf } from "./worst_words.js";

// So many letters stand in one line of the full size; a longer sentence is written smaller, in two.
const ONE_LINE = 56;
const REWRITE_MS = 500; // a number that changes twenty times a second is not read

export function WorstLine(el, acts) {
  const words = h("p", { class: "worst-words", testid: "worst" });
  const more = h("button", { type: "button", class: "act worst-more", on: { click: () => acts.showAlarms(true) } });
  const walk = h("button", {
    type: "button",
    class: "act worst-walk",
    text: "Walk",
    "aria-label": "Walk: go to Find",
    testid: "walk",
    on: { click: () => acts.go("find") },
  });
  el.append(words, more, walk);
  const isDue = pace(acts.changed, REWRITE_MS);
  let shown = "";
  return {
    update(view) {
      const { words: said, tone, more: others } = worstOf(view);
      if (tone !== shown || isDue(said)) {
        shown = tone;
        setText(words, said);
        setAttr(words, "data-long", said.length > ONE_LINE);
        setTone(el, tone);
      }
      setHidden(more, others === 0);
      setText(more, `${others} more`);
      setHidden(walk, !view.moment("landing") && !(view.silence && view.moment("apogee")));
    },
  };
}
