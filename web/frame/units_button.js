// In which units this page is read, and the button that changes them.

import { h, setAttr, setText } from "../kit/dom.js";
import { unitsName } from "../kit/units.js";

const READ = { metric: ["m, m/s", "meters and meters per second"], imperial: ["ft, mph", "feet and miles per hour"] };
const OTHER = { metric: "imperial", imperial: "metric" };

/** The button says what is read now: {el, update()}. @param {{units: () => void}} acts */
export function unitsButton(acts) {
  const el = h("button", { type: "button", class: "units-button", testid: "units", on: { click: () => acts.units() } });
  return {
    el,
    update() {
      const now = unitsName();
      const [short, words] = READ[now];
      setText(el, short);
      setAttr(el, "aria-label", `${short}: heights and speeds in ${words}. Switch to ${READ[OTHER[now]][1]}`);
      setAttr(el, "title", `Read in ${READ[OTHER[now]][1]}`);
    },
  };
}
