// What past trials of the chosen plan came to: of this session and of earlier ones, newest first.

import { h, s, setHidden, setText, syncList } from "../../kit/dom.js";
import { boundShare } from "../../pictures/trial_track.js";
import { percent } from "./trial_result.js";
import { countOf, STATES } from "./trial_words.js";

const MOST = 6;
const DAY = { day: "numeric", month: "short", year: "numeric" };

/** Trials that ended in the session that is looked at, as the station tells of earlier ones. */
export function endedHere(entries) {
  return entries
    .map(({ body, rx }) => ({ ...body, rx }))
    .filter(({ result }) => result)
    .map(({ id, plan, result, rx }) => ({
      session: `here ${id}`,
      plan: plan.name,
      rx,
      cycles: plan.cycles,
      runs: result.runs,
      passed: result.passed,
      bound: result.upper_bound,
      outcome: result.outcome,
      safe: result.safe,
    }))
    .sort((a, b) => b.rx - a.rx);
}

const when = ({ ended_utc }) => (ended_utc ? new Date(ended_utc).toLocaleDateString("en", DAY) : "this session");

/** One line: "3 Nov 2026: 10 cycles, 40 of 40 passed, failure rate at most 7.22 %". */
export function pastWords(one) {
  const score = `${one.passed} of ${one.runs} passed`;
  const bound = one.runs > 0 ? `, failure rate at most ${percent(one.bound)}` : "";
  const word = one.outcome === "passed" ? "" : `, ${STATES[one.outcome]?.word ?? one.outcome}`;
  const safe = one.safe ? "" : ", NOT seen to be safe";
  return `${when(one)}: ${countOf(one.cycles, "cycle")}, ${score}${bound}${word}${safe}`;
}

function make() {
  const bar = s("rect", { class: "past-bar", x: 0, y: 2, height: 6 });
  const words = h("span", { class: "past-words" });
  const look = { class: "past-picture", viewBox: "0 0 100 10", preserveAspectRatio: "none", "aria-hidden": "true" };
  const picture = s("svg", look, s("rect", { class: "past-all", x: 0, y: 4.5, width: 100, height: 1 }), bar);
  return Object.assign(h("li", { class: "past" }, words, picture), { bar, words });
}

export function TrialHistory() {
  const head = h("h3", { class: "past-head" });
  const list = h("ol", { class: "pasts" });
  const el = h("section", { class: "trial-history", testid: "trial-history" }, head, list);
  return {
    el,
    /** @param {string|undefined} plan its name @param {object[]} past of this session and of earlier ones */
    update(plan, past) {
      setHidden(el, !plan);
      const mine = past.filter((one) => one.plan === plan);
      setText(
        head,
        mine.length ? `Run ${countOf(mine.length, "time")} before; bar: bound on the failure rate` : "Not run before",
      );
      syncList(
        list,
        mine.slice(0, MOST),
        (one) => `${one.session} ${one.ended_utc ?? one.rx} ${one.plan}`,
        make,
        (node, one) => {
          setText(node.words, pastWords(one));
          node.dataset.tone = one.outcome === "passed" && one.safe ? "none" : "caution";
          node.bar.setAttribute("width", String(one.runs > 0 ? 100 * boundShare(one.bound) : 0));
        },
      );
    },
  };
}
