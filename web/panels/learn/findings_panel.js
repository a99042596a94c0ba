// What the station found wrong or nearly so: sentence, what to do, and in a replay the moment it belongs to.

import { h, setHidden, setText, setTone, syncList } from "../../kit/dom.js";
import { duration, tClock, withSigns } from "../../kit/format.js";
import { findingsOf } from "../../session/findings.js";

const WORDS = { warning: "Warning", caution: "Caution" };

/** Findings at the cursor. */
export function FindingsPanel(el, acts) {
  const list = h("ol", { class: "findings", testid: "findings" });
  const none = h("p", { class: "absent" });
  el.append(list, none);
  return {
    update(view) {
      const found = findingsOf(view);
      setHidden(none, found.length > 0);
      setText(
        none,
        view.moment("lift_off")
          ? "Nothing found so far."
          : "Nothing found so far. Most of it is judged after lift-off.",
      );
      const replay = Boolean(view.page.replay);
      const zero = view.moment("lift_off")?.t ?? view.store.journal.state("moment", "lift_off")?.body?.t;
      syncList(
        list,
        found,
        (entry) => `${view.store.session} ${entry.key} ${replay}`,
        () => make(replay, acts),
        (node, entry) => update(node, entry, zero),
      );
    },
  };
}

function make(replay, acts) {
  const word = h("span", { class: "finding-word" });
  const what = h("p", { class: "finding-text" });
  const advice = h("p", { class: "finding-advice" });
  const when = replay ? h("button", { class: "link", type: "button" }) : h("span", { class: "finding-when" });
  const node = h("li", { class: "finding" }, h("p", { class: "finding-head" }, word, when), what, advice);
  Object.assign(node, { word, what, advice, when });
  if (replay)
    when.addEventListener("click", () => {
      acts.replay("look", { t: node.t, key: node.key });
    });
  return node;
}

function update(node, entry, zero) {
  node.t = entry.body.t ?? entry.t;
  node.key = entry.key;
  setTone(node, entry.severity);
  setText(node.word, WORDS[entry.severity] ?? "Note");
  setText(node.what, withSigns(entry.text));
  setText(node.advice, withSigns(entry.body.advice));
  setText(node.when, zero === undefined ? duration(node.t) : tClock(node.t - zero));
}
