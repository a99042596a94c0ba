// A panel that is folded until somebody opens it; its line says how much there is to read.

import { h, setText } from "./dom.js";

/** A panel inside a fold: the title with the count of its list's lines. */
export const folded = (title, panel) => (el, acts) => {
  const name = h("summary", { class: "fold-name", text: title });
  const body = h("div", { class: "fold-body" });
  el.append(h("details", { class: "fold" }, name, body));
  const inner = panel(body, acts);
  return {
    update(view) {
      inner.update(view);
      const lines = body.querySelectorAll("li").length;
      setText(name, `${title} (${lines || "none"})`);
    },
  };
};
