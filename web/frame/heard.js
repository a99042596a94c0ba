// Phase and the worst alarm for a screen reader: said when they change, not on every frame.

import { setText } from "../kit/dom.js";
import { withSigns } from "../kit/format.js";
import { alarmWords } from "../session/alarms.js";

/** What is said of a view: nothing that counts seconds, since each change is read aloud. */
export function heardWords(view) {
  if (view.silence) return view.silence.who === "station" ? "The station is silent." : "The vehicle is silent.";
  const phase = view.state("phase", "ground")?.body?.phase ?? "";
  const { count, words } = alarmWords(view.alarms());
  const alarms = count === "None" ? "" : `${count} ${count === "1" ? "alarm" : "alarms"}: ${withSigns(words)}.`;
  return [phase && `Phase ${phase}.`, alarms].filter(Boolean).join(" ");
}

/** @param {Element} el a live region  @returns {{update: (view: import("../session/view.js").View) => void}} */
export function Heard(el) {
  return { update: (view) => setText(el, heardWords(view)) };
}
