// What is to be heard before anybody relies on it: a button, and a line that says what to expect.

import { h, setText } from "../../kit/dom.js";

/** @param {{testSound: () => string}} acts @returns {{button: Element, says: Element}} */
export function soundTest(acts) {
  const says = h("p", { class: "pad-says", role: "status", testid: "sound-heard" });
  const on = { click: () => setText(says, acts.testSound()) };
  return { says, button: h("button", { type: "button", class: "act", testid: "sound-test", text: "Sound test", on }) };
}
