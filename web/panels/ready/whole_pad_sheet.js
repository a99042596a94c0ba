// The pad sheet in the review: as it stood at the last lift-off, or at the end of a session without one.

import { h, setHidden, setText, setTone, watcher } from "../../kit/dom.js";
import { sentence } from "../../kit/format.js";
import { List } from "./pad_items.js";
import { printSheet } from "./pad_print.js";
import { ADVICE, closedAt, sheetAt, summaryOf, toneOf } from "./pad_state.js";

/** In the review: as it stood at the last lift-off, or at the end of a session without one. */
export function WholePadSheet(el) {
  const summary = h("p", { class: "pad-summary", testid: "whole-pad-summary" });
  const print = h("button", {
    type: "button",
    class: "act",
    testid: "whole-pad-print",
    text: "Print the sheet",
    on: { click: () => printSheet(shown, at) },
  });
  const head = h(
    "div",
    { class: "pad-head" },
    h("div", { class: "pad-words" }, summary, h("p", { class: "pad-advice", text: ADVICE })),
    h("div", { class: "pad-acts" }, print),
  );
  const none = h("p", { class: "absent", testid: "whole-pad-none" });
  const list = List();
  el.append(head, none, list.el);
  const moved = watcher();
  let shown = null;
  let at = null;
  return {
    update(view) {
      if (!moved(view.store, Boolean(view.page.replay))) return;
      list.clear();
      at = view;
      const rx = closedAt(view.store.journal);
      const sheet = view.page.replay ? sheetAt(view.store.journal, rx) : null;
      // Kept as it was: the values stand in the recording, whatever the cursor is at.
      const when = rx === Infinity ? "at the end of the recording" : "at lift-off";
      shown = sheet && { ...sheet, state: "closed", when };
      setHidden(head, !shown);
      setHidden(list.el, !shown);
      setHidden(none, Boolean(shown));
      setText(
        none,
        view.page.replay
          ? "No pad sheet was shown in this session."
          : "Open a session to see its pad sheet as it stood at lift-off.",
      );
      if (!shown) return;
      setText(summary, `${sentence(when)}: ${summaryOf(shown.lines)}`);
      setTone(summary, toneOf(shown.lines));
      list.update(view, shown, false, false);
    },
  };
}
