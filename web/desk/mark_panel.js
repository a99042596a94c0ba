// Marks in the recording.

import { h, setHidden } from "../kit/dom.js";

/** A mark in the recording: a few words and the time, for "wind picked up" or "key in". */
export function MarkPanel(el, acts) {
  const input = h("input", {
    type: "text",
    maxlength: "120",
    placeholder: "What happened?",
    "aria-label": "Text of the mark",
    testid: "mark-text",
  });
  const button = h("button", { type: "submit", class: "act", text: "Set mark", testid: "mark-set" });
  const form = h(
    "form",
    {
      class: "mark-form",
      on: {
        submit: (event) => {
          event.preventDefault();
          acts.mark(input.value.trim() || "Mark");
          input.value = "";
        },
      },
    },
    input,
    button,
  );
  const why = h("p", { class: "absent", text: "Marks are set by the operator while the session is live." });
  el.append(form, why);
  return {
    update(view) {
      const able = Boolean(view.page.desk?.open) && !view.page.replay;
      setHidden(form, !able);
      setHidden(why, able);
    },
  };
}
