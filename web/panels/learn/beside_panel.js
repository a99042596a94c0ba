// Beside the strips, on the same cursor: one picture at a time, chosen by its tab. Only the one that is seen is drawn.

import { h, setAttr, setHidden } from "../../kit/dom.js";

/** @param {[string, string, (el: Element, acts: object) => {update: (view) => void}][]} slots [key, title, panel] */
export const besidePanel = (slots) => (el, acts) => {
  let chosen = slots[0][0];
  const bodies = slots.map(([key]) => h("div", { class: `beside-body -${key}`, role: "tabpanel" }));
  const tabs = slots.map(([key, title]) =>
    h("button", {
      type: "button",
      class: "tab",
      role: "tab",
      testid: `beside-${key}`,
      text: title,
      on: {
        click: () => {
          chosen = key;
          acts.changed();
        },
      },
    }),
  );
  el.append(h("div", { class: "tabs", role: "tablist", "aria-label": "Pictures at the cursor" }, ...tabs), ...bodies);
  const panels = slots.map(([, , panel], i) => panel(inside(bodies[i]), acts));
  return {
    update(view) {
      const shown = el.closest(".place")?.dataset.tab === "files" ? "video" : chosen;
      setHidden(el.parentElement, !(view.page.replay ?? view.moment("lift_off")));
      slots.forEach(([key], i) => {
        setHidden(bodies[i], key !== shown);
        setAttr(tabs[i], "aria-selected", String(key === shown));
        // The films stand still or run with the cursor also while something else is looked at.
        if (key === shown || key === "video") panels[i].update(view);
      });
    },
  };
};

// A panel may hide what it stands in.
function inside(body) {
  const inner = h("div", { class: "beside-inner" });
  body.append(inner);
  return inner;
}
