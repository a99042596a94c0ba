// What the station found wrong or nearly so: sentence, what to do, and in a replay the moment it belongs to.

import { h, setHidden, setText, setTone, syncList, watcher } from "../../kit/dom.js";
import { duration, tClock, withSigns } from "../../kit/format.js";

const WORDS = { warning: "Warning", caution: "Caution" };

/** Findings at the cursor that were not taken back, warnings first, then by time. */
export function findingsOf(view, whole = false) {
  const rank = ({ severity }) => (severity === "warning" ? 0 : 1);
  return (whole ? view.finalStates("finding") : view.states("finding"))
    .filter((entry) => entry.text && !entry.body.withdrawn)
    .sort((a, b) => rank(a) - rank(b) || (a.body.t ?? 0) - (b.body.t ?? 0));
}

/** For the review at home: everything found in the session, wherever the cursor stands. */
export const WholeFindings = (el, acts) => FindingsPanel(el, acts, true);

export function FindingsPanel(el, acts, whole = false) {
  const list = h("ol", { class: "findings", testid: "findings" });
  const none = h("p", { class: "absent" });
  el.append(list, none);
  const moved = watcher();
  return {
    update(view) {
      const all = whole && Boolean(view.page.replay);
      if (all && !moved(view.store, view.store.version)) return;
      const found = findingsOf(view, all);
      setHidden(none, found.length > 0);
      setText(
        none,
        (all ? view.store.journal.state("moment", "lift_off") : view.moment("lift_off"))
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
      acts.replay("pause");
      acts.replay("seek", node.t);
    });
  return node;
}

function update(node, entry, zero) {
  node.t = entry.body.t ?? entry.t;
  setTone(node, entry.severity);
  setText(node.word, WORDS[entry.severity] ?? "Note");
  setText(node.what, withSigns(entry.text));
  setText(node.advice, withSigns(entry.body.advice));
  setText(node.when, zero === undefined ? duration(node.t) : tClock(node.t - zero));
}
