// The shelf: every recording, to be found, opened, noted, compared, saved elsewhere or put into the trash. A damaged
// one is listed with its sentence and hides nothing else.

import { h, s, setAttr, setHidden, setText, syncList, watcher } from "../../kit/dom.js";
import { bytes, duration, lengthText, sentence } from "../../kit/format.js";
import { unitsName, unitsQuery } from "../../kit/units.js";
import { sparkline, sparklineWords } from "../../pictures/sparkline.js";

const ORDERS = {
  newest: {
    title: "Newest first",
    by: (a, b) => String(b.started_utc ?? "").localeCompare(String(a.started_utc ?? "")),
  },
  label: { title: "By name", by: (a, b) => titleOf(a).localeCompare(titleOf(b), undefined, { numeric: true }) },
  apogee: { title: "Highest first", by: (a, b) => (b.apogee_m ?? -1) - (a.apogee_m ?? -1) },
  findings: { title: "Most findings first", by: (a, b) => found(b) - found(a) },
  longest: { title: "Longest first", by: (a, b) => (b.duration_s ?? -1) - (a.duration_s ?? -1) },
};
const SAVES = [
  ["report", "Report"],
  ["export/csv", "CSV"],
  ["export/kml", "KML"],
  ["export/gpx", "GPX"],
];

const titleOf = (session) => session.label || session.name;
const found = (session) => Object.values(session.findings ?? {}).reduce((sum, count) => sum + (count || 0), 0);

/** Sessions that hold every word of the question in label, name, vehicle, place, date, notes or sentence. */
function matching(sessions, question) {
  const words = question.toLowerCase().split(/\s+/).filter(Boolean);
  return sessions.filter((one) => {
    const text = [one.label, one.name, one.vehicle, one.site, one.started_utc, one.notes, one.sentence]
      .join(" ")
      .toLowerCase();
    return words.every((word) => text.includes(word));
  });
}

export function SessionList(el, acts) {
  const search = h("input", {
    type: "search",
    placeholder: "Search label, vehicle, place, notes",
    "aria-label": "Search the sessions",
    testid: "shelf-search",
    on: { input: acts.changed },
  });
  const order = h(
    "select",
    { "aria-label": "Order of the sessions", testid: "shelf-order", on: { change: acts.changed } },
    ...Object.entries(ORDERS).map(([key, { title }]) => h("option", { value: key, text: title })),
  );
  const rehearsals = h("input", {
    type: "checkbox",
    testid: "shelf-rehearsals",
    on: { change: () => acts.listSessions(rehearsals.checked) },
  });
  const also = h("label", { class: "shelf-also" }, rehearsals, " Rehearsals too");
  const list = h("ul", { class: "session-list", "aria-label": "Recorded sessions" });
  const none = h("p", { class: "absent" });
  const compare = h("button", {
    type: "button",
    class: "act",
    testid: "compare",
    on: {
      click: () => {
        acts.compare([...chosen]);
        el.dispatchEvent(new CustomEvent("compared", { bubbles: true }));
      },
    },
  });
  const again = h("button", {
    type: "button",
    class: "act",
    text: "Look again",
    on: { click: () => acts.listSessions() },
  });
  const trash = h(
    "details",
    { class: "trash", hidden: true },
    h("summary", { text: "Trash" }),
    h("ul", { class: "session-list" }),
  );
  const chosen = new Set();
  const unfolded = new Set(); // stays so when its card is drawn anew
  const moved = watcher();
  el.append(
    h("div", { class: "shelf-row" }, search, order, also),
    list,
    none,
    h("div", { class: "shelf-row" }, compare, again),
    trash,
  );
  const row = (session) => new Row(session, acts, chosen, unfolded).node;
  return {
    update(view) {
      const { sessions, replay, trash: thrown, canKeep } = view.page;
      if (!moved(sessions, replay?.name, thrown, canKeep, search.value, order.value, [...chosen].join("/"))) return;
      const all = sessions ?? [];
      const shown = matching(all, search.value).sort(ORDERS[order.value].by);
      setHidden(none, shown.length > 0);
      setText(
        none,
        sessions === null
          ? "Looking at the shelf."
          : all.length
            ? "No flight holds all of these words. Take one away."
            : "No flights yet. Start the station with a vehicle or its demonstration: all it hears comes here.",
      );
      syncList(
        list,
        shown,
        (one) => JSON.stringify([one, canKeep, unitsName()]),
        (one) => row({ ...one, canKeep }),
        (node, one) => {
          node.classList.toggle("-open", replay?.name === one.name);
        },
      );
      forget(chosen, all);
      setText(compare, chosen.size < 2 ? "Tick two or more to compare" : `Compare ${chosen.size} flights`);
      setAttr(compare, "disabled", chosen.size < 2);
      setHidden(trash, !(thrown?.length > 0));
      syncList(
        trash.lastChild,
        thrown ?? [],
        ({ entry }) => entry,
        (one) => trashRow(one, acts),
        () => {},
      );
    },
  };
}

/** What is on the shelf no more is chosen no more. */
function forget(chosen, sessions) {
  for (const name of chosen) if (!sessions.some((one) => one.name === name)) chosen.delete(name);
}

function trashRow({ entry, label, name }, acts) {
  const click = () => acts.restore(entry);
  const again = { type: "button", class: "act", text: "Restore", testid: `restore-${name}`, on: { click } };
  return h("li", { class: "session" }, h("span", { text: label }), h("button", again));
}

class Row {
  constructor(session, acts, chosen, unfolded) {
    const title = titleOf(session);
    const tick = h("input", {
      type: "checkbox",
      "aria-label": `Compare ${title}`,
      testid: `compare-${session.name}`,
      disabled: !session.openable,
      on: {
        change: () => {
          if (tick.checked) chosen.add(session.name);
          else chosen.delete(session.name);
          acts.changed();
        },
      },
    });
    tick.checked = chosen.has(session.name);
    const more = h("div", { class: "session-more", hidden: true });
    const open = h("button", {
      type: "button",
      class: "act",
      text: "Open",
      "aria-label": `Open ${title} in a replay`,
      testid: `session-open-${session.name}`,
      disabled: !session.openable,
      on: { click: () => acts.openSession(session) },
    });
    const unfold = h("button", {
      type: "button",
      class: "act -small",
      text: "More",
      "aria-label": `More about ${title}`,
      "aria-expanded": "false",
      testid: `session-more-${session.name}`,
      on: {
        click: () => {
          if (!unfolded.delete(session.name)) unfolded.add(session.name);
          fold();
        },
      },
    });
    const fold = () => {
      const isOpen = unfolded.has(session.name);
      if (isOpen && !more.firstChild) more.append(...this.more(session, acts));
      setHidden(more, !isOpen);
      setAttr(unfold, "aria-expanded", String(isOpen));
    };
    fold();
    this.node = h(
      "li",
      { class: "session" },
      h(
        "div",
        { class: "session-card" },
        sketch(session),
        h(
          "div",
          { class: "session-what" },
          h("b", { text: title }),
          h(
            "span",
            { class: "session-tags" },
            session.recording && h("span", { class: "tag", text: "being recorded" }),
            session.rehearsal && h("span", { class: "tag -rehearsal", text: `REHEARSAL: ${session.rehearsal}` }),
            session.sample && h("span", { class: "tag", text: "sample" }),
            session.pending && h("span", { class: "tag", text: "being looked at" }),
            ...counts(session).map(([text, tone]) => h("span", { class: "tag -count", "data-tone": tone, text })),
          ),
          h("span", { class: "facts", text: facts(session) }),
          session.sentence &&
            !session.recording &&
            h("span", { class: "session-sentence", text: sentence(session.sentence) }),
          session.notes && h("span", { class: "session-notes", text: session.notes }),
        ),
      ),
      h("div", { class: "session-acts" }, h("label", { class: "session-tick" }, tick, "compare"), open, unfold),
      more,
    );
  }

  more(session, acts) {
    const label = h("input", {
      type: "text",
      maxlength: "80",
      value: session.label,
      "aria-label": "Label",
      testid: `label-${session.name}`,
    });
    const notes = h("textarea", {
      rows: "3",
      maxlength: "20000",
      "aria-label": "Notes",
      testid: `notes-${session.name}`,
    });
    notes.value = session.notes ?? "";
    const save = h("button", {
      type: "button",
      class: "act",
      text: "Save label and notes",
      testid: `save-${session.name}`,
      on: {
        click: () =>
          acts.note(session.name, { label: label.value === session.name ? "" : label.value, notes: notes.value }),
      },
    });
    const away = h("button", {
      type: "button",
      class: "act",
      text: "Move to the trash",
      testid: `trash-${session.name}`,
      on: {
        click: () => {
          if (away.dataset.sure) acts.remove(session.name);
          else {
            away.dataset.sure = "yes";
            setText(away, "Move to the trash: sure?");
          }
        },
      },
    });
    const links = session.openable
      ? SAVES.map(([part, text]) =>
          h("a", {
            class: "save-link",
            href: `/api/sessions/${encodeURIComponent(session.name)}/${part}${part === "report" ? unitsQuery() : ""}`,
            download: "",
            text,
            testid: `${part.replace("export/", "")}-${session.name}`,
          }),
        )
      : [];
    const edit = session.canKeep
      ? [
          h("label", { class: "field" }, "Label ", label),
          h("label", { class: "field" }, "Notes ", notes),
          h("div", { class: "shelf-row" }, save, !session.recording && away),
        ]
      : [
          h("p", {
            class: "absent",
            text: "Labels, notes and the trash need the longer link that the terminal printed.",
          }),
        ];
    return [h("p", { class: "shelf-row" }, links.length > 0 && "Save as ", ...links), ...edit];
  }
}

const SKETCH = [92, 40];

function sketch({ heights_m: heights }) {
  const { line, ground, top } = sparkline(heights ?? null, ...SKETCH);
  return s(
    "svg",
    {
      class: "sketch",
      viewBox: `-2 0 ${SKETCH[0] + 4} ${SKETCH[1]}`,
      role: "img",
      "aria-label": sparklineWords(heights ?? null),
    },
    s("path", { class: "sketch-ground", d: `M0 ${ground} H${SKETCH[0]}` }),
    s("path", { class: "sketch-line", d: line || "M0 0" }),
    top ? s("circle", { class: "sketch-top", cx: top.x, cy: top.y, r: 2.5 }) : s("g"),
  );
}

/** Findings as [text, tone]; what was judged and has none says so. */
function counts({ findings, recording, pending }) {
  if (!findings || recording || pending) return [];
  const told = ["warning", "caution"]
    .filter((severity) => findings[severity] > 0)
    .map((severity) => [`${findings[severity]} ${severity}${findings[severity] > 1 ? "s" : ""}`, severity]);
  return told.length ? told : [["no findings", "none"]];
}

function facts(session) {
  const apogee =
    session.apogee_m === null || session.apogee_m === undefined ? "" : `apogee ${lengthText(session.apogee_m)}`;
  const parts = [
    apogee,
    session.vehicle,
    session.site,
    when(session.started_utc),
    Number.isFinite(session.duration_s) ? duration(session.duration_s) : "",
    session.onboard ? "onboard log" : "",
    titleOf(session) === session.name ? "" : session.name,
    bytes(session.size_bytes),
  ];
  return parts.filter(Boolean).join("  \u00b7  ");
}

/** The moment a recording began, in this computer's time and with its zone: "15 Jun 2025, 16:00 GMT+2". */
export function when(utc, zone) {
  const date = new Date(utc ?? Number.NaN);
  if (Number.isNaN(date.getTime())) return "time unknown";
  const parts = { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" };
  return new Intl.DateTimeFormat("en-GB", { ...parts, timeZone: zone, timeZoneName: "short" }).format(date);
}
