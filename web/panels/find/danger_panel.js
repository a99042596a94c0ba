// First of all, above every arrow: what may still be live.

import { h, setText, setTone } from "../../kit/dom.js";
import { dangerLine } from "./danger_words.js";

export function DangerPanel(el) {
  const line = h("p", { class: "find-danger", role: "status", testid: "find-danger" });
  el.append(line);
  return {
    update(view) {
      const { text, tone } = dangerLine(view);
      setText(line, text);
      setTone(line, tone);
    },
  };
}
