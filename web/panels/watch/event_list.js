// What happened, newest first, as sentences.

import { h, setText, setTone, syncList } from "../../kit/dom.js";
import { duration, tClock, withSigns } from "../../kit/format.js";
import { COMMAND_STATES } from "../../session/messages.js";

// Told when judged, but of an earlier moment: the line shows that one.
const JUDGED = new Set(["figure", "finding", "moment"]);
const LOOKED_AT = 300;
const SHOWN = 60;

/** Is an entry worth a line here? The steps of a command are in the command log; only its outcome is an event. */
export function isEvent({ topic, body }) {
  return topic !== "command" || Boolean(COMMAND_STATES[body?.state]?.final);
}

/** A finding is told again whenever its numbers get better; only the latest wording is a line. Newest first. */
function withoutOlderFindings(entries) {
  const seen = new Set();
  return entries.filter(({ topic, key }) => topic !== "finding" || (!seen.has(key) && seen.add(key)));
}

export function EventList(el) {
  const list = h("ol", { class: "events", "aria-label": "Events, newest first", testid: "events" });
  const none = h("p", { class: "absent", text: "Nothing has happened yet." });
  el.append(list, none);
  let shown = "";
  return {
    update(view) {
      const entries = withoutOlderFindings(view.events(LOOKED_AT).filter(isEvent)).slice(0, SHOWN);
      const zero = view.moment("lift_off")?.t;
      const key = `${view.store.session} ${entries.length} ${entries[0]?.i} ${zero}`;
      if (key === shown) return;
      shown = key;
      none.hidden = entries.length > 0;
      syncList(
        list,
        entries,
        (entry) => `${view.store.session} ${entry.i}`,
        make,
        (node, entry) => {
          const t = JUDGED.has(entry.topic) ? (entry.body.t ?? entry.t) : entry.t;
          setText(node.firstChild, zero === undefined || !Number.isFinite(t) ? duration(entry.rx) : tClock(t - zero));
        },
      );
    },
  };
}

function make(entry) {
  const word = { warning: "Warning. ", caution: "Caution. " }[entry.severity] ?? "";
  const node = h(
    "li",
    { class: "event" },
    h("span", { class: "when" }),
    h("span", { class: "what", text: word + withSigns(entry.text) }),
  );
  setTone(node, entry.severity === "info" ? "none" : entry.severity);
  return node;
}
