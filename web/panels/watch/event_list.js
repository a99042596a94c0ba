// What happened, newest first, as sentences.

import { h, setText, setTone, syncList } from "../../kit/dom.js";
import { duration, tClock, withSigns } from "../../kit/format.js";
import { unitsName } from "../../kit/units.js";
import { COMMAND_STATES } from "../../session/messages.js";

// Told when judged, but of an earlier moment: the line shows that one.
const JUDGED = new Set(["figure", "finding", "moment"]);
const LOOKED_AT = 300;
const SHOWN = 60;

/** Is an entry worth a line here? The steps of a command are in the command log; only its outcome is an event. */
export function isEvent({ topic, body }) {
  return topic !== "command" || Boolean(COMMAND_STATES[body?.state]?.final);
}

/** Is it dated by the station? The vehicle's flags go on and off, and each time is a moment of its own. */
const isDated = ({ topic, body }) => topic === "moment" && body?.on === undefined;

/** A finding or a moment is told again whenever it is known better; only the latest wording is a line. Newest first. */
function withoutOlder(entries) {
  const seen = new Set();
  return entries.filter((entry) => {
    const name = `${entry.topic} ${entry.key}`;
    return (entry.topic !== "finding" && !isDated(entry)) || (!seen.has(name) && seen.add(name));
  });
}

/** When it happened, timeline s. */
const timeOf = ({ topic, t, body }) => (JUDGED.has(topic) ? (body?.t ?? t) : t);

/** Whose word it is, before the words; the rest says so itself. */
function textOf({ topic, text, body }) {
  const byVehicle = topic === "event" || (topic === "moment" && body?.on !== undefined);
  const byGround = topic === "moment" || topic === "figure";
  return byVehicle ? `Vehicle: ${text}` : byGround ? `Ground: ${text}` : text;
}

/** The lines of entries that come newest first: each event once, newest first by when it happened: {entry, t, text}. */
export function eventLines(entries) {
  return withoutOlder(entries.filter(isEvent))
    .map((entry) => ({ entry, t: timeOf(entry), text: textOf(entry) }))
    .sort((one, other) => other.t - one.t);
}

export function EventList(el) {
  const list = h("ol", { class: "events", "aria-label": "Events, newest first", testid: "events" });
  const none = h("p", { class: "absent", text: "Nothing has happened yet." });
  // Where it scrolls, the keyboard must reach it.
  for (const [name, value] of [
    ["tabindex", "0"],
    ["role", "group"],
    ["aria-label", "Events"],
  ])
    el.setAttribute(name, value);
  el.append(list, none);
  let shown = "";
  return {
    update(view) {
      const told = view.events(LOOKED_AT);
      const zero = view.moment("lift_off")?.t;
      const key = `${view.store.session} ${told.length} ${told[0]?.i} ${zero} ${unitsName()}`;
      if (key === shown) return;
      shown = key;
      const lines = eventLines(told).slice(0, SHOWN);
      none.hidden = lines.length > 0;
      syncList(
        list,
        lines,
        ({ entry }) => `${view.store.session} ${entry.i} ${unitsName()}`,
        make,
        (node, { entry, t }) => {
          setText(node.firstChild, zero === undefined || !Number.isFinite(t) ? duration(entry.rx) : tClock(t - zero));
        },
      );
    },
  };
}

function make({ entry, text }) {
  const word = { warning: "Warning. ", caution: "Caution. " }[entry.severity] ?? "";
  const node = h(
    "li",
    { class: "event" },
    h("span", { class: "when" }),
    h("span", { class: "what", text: word + withSigns(text) }),
  );
  setTone(node, entry.severity === "info" ? "none" : entry.severity);
  return node;
}
