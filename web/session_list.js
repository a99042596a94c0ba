// The shelf: every recording, newest first. A damaged one is listed with its sentence and hides nothing else.

import { bytes, duration, fixed } from "./format.js";
import { h, setHidden, setText, syncList } from "./dom.js";

export function SessionList(el, acts) {
  const list = h("ul", { class: "session-list", "aria-label": "Recorded sessions" });
  const none = h("p", { class: "absent" });
  const again = h("button", { type: "button", class: "act", text: "Look again", on: { click: () => acts.listSessions() } });
  el.append(list, none, again);
  return {
    update(view) {
      const { sessions, replay } = view.page;
      setHidden(none, sessions !== null && sessions.length > 0);
      setText(none, sessions === null ? "Looking at the shelf." : "No recordings yet. A session is recorded whenever the station runs.");
      syncList(list, sessions ?? [], (session) => `${session.name} ${session.size_bytes} ${session.recording}`, (session) => make(session, acts), (node, session) => {
        node.classList.toggle("-open", replay?.name === session.name);
      });
    },
  };
}

function make(session, acts) {
  const apogee = session.apogee_m === null || session.apogee_m === undefined ? "" : `apogee ${fixed(session.apogee_m, 0)} m`;
  const facts = [session.vehicle, session.site, when(session.started_utc), Number.isFinite(session.duration_s) ? duration(session.duration_s) : "", apogee, bytes(session.size_bytes)];
  return h("li", { class: "session" },
    h("div", { class: "session-what" }, h("b", { text: session.label || session.name }), session.recording && h("span", { class: "tag", text: "being recorded" }),
      h("span", { class: "facts", text: facts.filter(Boolean).join("  \u00b7  ") }), session.sentence && !session.recording && h("span", { class: "session-sentence", text: session.sentence })),
    h("button", { type: "button", class: "act", text: "Open", "aria-label": `Open ${session.label || session.name} in a replay`, testid: `session-open-${session.name}`, disabled: !session.openable, on: { click: () => acts.openSession(session) } }));
}

function when(utc) {
  const date = new Date(utc);
  return Number.isNaN(date.getTime()) ? "" : date.toISOString().slice(0, 16).replace("T", " ") + " UTC";
}
