// For whoever is new: in the demonstration what is about to happen and five steps, folded; after a landing the way to
// where it lies and to what happened. A line at the bottom, so that nothing moves under a hand; the page never jumps.

import { h, setHidden, setText } from "../kit/dom.js";
import { goalsCount } from "../session/goals.js";

const AWAY = "blockhouse.steps";

/** Each step of the demonstration: the place it is done at, and what to do there. */
export const STEPS = [
  ["ready", "Go through the pad sheet: what is met, what is yours to tick"],
  ["ready", "Switch a camera on, and see what it costs in minutes"],
  ["watch", "Watch it fly: height, lean, parachutes, the worst thing in words"],
  ["find", "See where to walk, and how sure that is"],
  ["learn", "Open the recording: what happened, and why"],
];

/**
 * Seconds until the demonstration's motor is lit, by the vehicle's clock and how fast that runs; null when nothing
 * is told, or when it has lifted off.
 */
export function secondsToIgnition(about, view) {
  if (about?.mode !== "demo" || !Number.isFinite(about.ignites_t) || !view?.cursor.live) return null;
  if (view.moment("lift_off") || !Number.isFinite(view.cursor.t)) return null;
  return Math.max(0, (about.ignites_t - view.cursor.t) / (about.rate || 1));
}

/** What the demonstration is about to do, in a sentence. */
export function aboutToHappen(seconds) {
  if (seconds === null) return "Demonstration: it flies, or has flown.";
  return seconds >= 1
    ? `Demonstration: the simulated motor lights by itself in ${Math.round(seconds)} s.`
    : "Demonstration: the simulated motor lights now.";
}

/** @param {Element} el @param {{go: (place: string) => void, storage: Storage}} acts */
export function Guide(el, { go, storage }) {
  const to = (place) => () => go(place);
  const summary = h("summary", { testid: "guide-what" });
  const steps = h("ol", {}, ...STEPS.map(([name, what]) => h("li", {}, stepButton(what, to(name)))));
  const away = h("button", { type: "button", class: "act", text: "Put away", testid: "guide-away" });
  const demo = h("div", { class: "guide-line", testid: "guide-demo" }, h("details", {}, summary, steps), away);
  const wayTo = (name, title, what) => {
    const words = h("span", { class: "on-wide", text: `: ${what}` });
    return h(
      "button",
      { type: "button", class: "act", testid: `guide-${name}`, on: { click: to(name) } },
      title,
      words,
    );
  };
  const done = h("button", { type: "button", class: "act", text: "Put away", testid: "guide-done" });
  const words = h("p", { role: "status" });
  const ways = [wayTo("find", "Find", "where to walk"), wayTo("learn", "Learn", "what happened")];
  const landed = h("div", { class: "guide-line", testid: "guide-landed" }, words, ...ways, done);
  el.append(demo, landed);
  let seen; // the landing whose line was put away
  let now;
  away.addEventListener("click", () => {
    storage.setItem(AWAY, "away");
    setHidden(demo, true);
  });
  done.addEventListener("click", () => {
    seen = now;
    setHidden(landed, true);
  });
  return {
    /** @param {import("../session/view.js").View|null} view the live session's, null beside a replay */
    update(view, about) {
      const landing = view?.cursor.live ? view.moment("landing") : undefined;
      now = landing?.t;
      setHidden(landed, now === undefined || now === seen);
      const goals = view?.page.goals?.goals ?? [];
      setText(words, landing ? `It has landed.${goals.length ? ` Goals: ${goalsCount(goals)}.` : ""}` : "");
      setHidden(demo, about?.mode !== "demo" || !view || now !== undefined || storage.getItem(AWAY) === "away");
      setText(summary, `${aboutToHappen(secondsToIgnition(about, view))} Five steps to try.`);
    },
  };
}

function stepButton(text, click) {
  return h("button", { type: "button", class: "step", text, on: { click } });
}
