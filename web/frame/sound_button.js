// Whether calls are heard, and the key that mutes them; one alarm is heard all the same.

import { h, setAttr, setText } from "../kit/dom.js";

/** The button and what it says: {el, update({muted, awake})}. @param {{sound: () => void}} acts */
export function soundButton(acts) {
  const el = h("button", { type: "button", class: "sound-button", testid: "sound", on: { click: () => acts.sound() } });
  return {
    el,
    update({ muted, awake }) {
      setText(el, muted ? "Sound off" : awake ? "Sound on" : "Sound: press");
      setAttr(el, "aria-pressed", String(!muted));
      setAttr(el, "title", `${muted ? "Nothing is called out but an unbraked fall" : "The flight is called out"} (M)`);
    },
  };
}
