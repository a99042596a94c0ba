// What this flight is for, as its sheet says it, before it flies: nothing here is judged.

import { h, setHidden, setText, syncList } from "../../kit/dom.js";
import { withSigns } from "../../kit/format.js";

const cardOf = (view) => {
  const { goals, on_trial } = view.store.dictionary.sheet ?? {};
  return {
    told: Array.isArray(goals) ? goals.filter((goal) => typeof goal?.what === "string") : [],
    parts: Array.isArray(on_trial) ? on_trial : [],
  };
};

/** The card in one line for the head of Ready; "" without one. */
export function purposeWords(view) {
  const { told, parts } = cardOf(view);
  const goals = told.map((goal) => withSigns(goal.what));
  return [
    goals.length && `This flight is for: ${goals.join(" \u00b7 ")}`,
    parts.length && `On trial: ${parts.join(", ")}`,
  ]
    .filter(Boolean)
    .join(". ");
}

export function GoalsCard(el) {
  const box = el.parentElement ?? el;
  const list = h("ol", { class: "goals", testid: "goals-card" });
  const trial = h("p", { class: "facts", testid: "goals-on-trial" });
  el.append(list, trial);
  return {
    update(view) {
      const { told, parts } = cardOf(view);
      setHidden(box, !told.length && !parts.length);
      syncList(
        list,
        told,
        (goal) => `${told.indexOf(goal)} ${goal.what}`,
        () => h("li"),
        (item, goal) => setText(item, withSigns(goal.what)),
      );
      setText(trial, parts.length ? `On trial: ${parts.join(", ")}.` : "");
    },
  };
}
