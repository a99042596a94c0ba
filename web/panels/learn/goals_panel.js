// What this flight was for, as the station judged it: met, not met or not tested, each with its evidence.

import { h, setHidden, watcher } from "../../kit/dom.js";
import { fixed, withSigns } from "../../kit/format.js";

const MARKS = { met: "\u2713", "not met": "\u2715", "not tested": "?" };
const TONES = { met: "good", "not met": "caution", "not tested": "unknown" };

/** All goals in one line: "3 met, 1 not tested \u00b7 Camera 2 recorded to landing: not tested". */
export function goalsWords(goals) {
  const count = (outcome) => goals.filter((goal) => goal.outcome === outcome).length;
  const parts = Object.keys(MARKS).map((outcome) => [count(outcome), outcome]);
  const open = goals.filter((goal) => goal.outcome !== "met").map((goal) => `${withSigns(goal.what)}: ${goal.outcome}`);
  const counted = parts.filter(([number]) => number).map(([number, outcome]) => `${number} ${outcome}`);
  return [counted.join(", "), ...open].join(" \u00b7 ");
}

/** @param {Element} el @param {{replay: (what: string, argument: number) => void}} acts */
export function GoalsPanel(el, acts) {
  const box = el.parentElement ?? el;
  const line = h("summary", { class: "goals-line", testid: "goals-line" });
  const list = h("ul", { class: "goals" });
  const trial = h("p", { class: "facts", testid: "goals-trial" });
  el.append(h("details", {}, line, list, trial));
  const moved = watcher();
  return {
    update({ page }) {
      const card = page.summary?.goals ?? null;
      if (!moved(card)) return;
      setHidden(box, !card);
      if (!card) return;
      line.textContent = `What this flight was for: ${goalsWords(card.goals)}`;
      trial.textContent = card.on_trial.length ? `On trial: ${card.on_trial.join(", ")}.` : "";
      list.replaceChildren(...card.goals.map((goal) => goalRow(goal, page.summary.lift_off_t, acts)));
    },
  };
}

function goalRow({ what, outcome, evidence, t }, zero, acts) {
  const at = Number.isFinite(t) && Number.isFinite(zero);
  const click = () => {
    acts.replay("pause");
    acts.replay("seek", t);
  };
  return h(
    "li",
    { class: "goal", "data-tone": TONES[outcome] ?? "unknown" },
    h("span", { class: "goal-mark", "aria-hidden": "true", text: MARKS[outcome] ?? "?" }),
    h(
      "div",
      {},
      h("b", { text: `${withSigns(what)}: ${outcome}` }),
      h("p", { class: "facts", text: withSigns(evidence) }),
    ),
    at && h("button", { type: "button", class: "act", text: `Show T+${fixed(t - zero, 1)} s`, on: { click } }),
  );
}
