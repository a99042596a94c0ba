// What this flight was for, as the station judged it: met, not met or not tested, each with its evidence.

import { h, setHidden, watcher } from "../../kit/dom.js";
import { fixed, withSigns } from "../../kit/format.js";
import { goalsCount, OUTCOMES } from "../../session/goals.js";

/** All goals in one line: "3 met, 1 not tested \u00b7 Camera 2 recorded to landing: not tested". */
export function goalsWords(goals) {
  const open = goals.filter((goal) => goal.outcome !== "met").map((goal) => `${withSigns(goal.what)}: ${goal.outcome}`);
  return [goalsCount(goals), ...open].filter(Boolean).join(" \u00b7 ");
}

/** The card as it was judged: of a recording by its summary, of the live flight once it has landed. */
const cardOf = ({ page }) => (page.replay ? page.summary?.goals : page.goals) ?? null;

/** @param {Element} el @param {{replay: (what: string, argument: number) => void}} acts */
export function GoalsPanel(el, acts) {
  const box = el.parentElement ?? el;
  const line = h("summary", { class: "goals-line", testid: "goals-line" });
  const list = h("ul", { class: "goals" });
  const trial = h("p", { class: "facts", testid: "goals-trial" });
  el.append(h("details", {}, line, list, trial));
  const moved = watcher();
  return {
    update(view) {
      const card = cardOf(view);
      if (!moved(card)) return;
      setHidden(box, !card);
      if (!card) return;
      line.textContent = `What this flight was for: ${goalsWords(card.goals)}`;
      trial.textContent = card.on_trial.length ? `On trial: ${card.on_trial.join(", ")}.` : "";
      list.replaceChildren(...card.goals.map((goal) => goalRow(goal, view, acts)));
    },
  };
}

function goalRow({ what, outcome, evidence, t }, { page }, acts) {
  const zero = page.replay ? page.summary?.lift_off_t : undefined; // only a recording can be looked at there
  const at = Number.isFinite(t) && Number.isFinite(zero);
  const click = () => {
    acts.replay("pause");
    acts.replay("seek", t);
  };
  return h(
    "li",
    { class: "goal", "data-tone": OUTCOMES[outcome]?.tone ?? "unknown" },
    h("span", { class: "goal-mark", "aria-hidden": "true", text: OUTCOMES[outcome]?.mark ?? "?" }),
    h(
      "div",
      {},
      h("b", { text: `${withSigns(what)}: ${outcome}` }),
      h("p", { class: "facts", text: withSigns(evidence) }),
    ),
    at && h("button", { type: "button", class: "act", text: `Show T+${fixed(t - zero, 1)} s`, on: { click } }),
  );
}
