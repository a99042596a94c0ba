// The head of Learn: what happened, in one sentence, and the ways to look at it.

import { h, setAttr, setHidden, setText } from "../../kit/dom.js";
import { lengthText, withSigns } from "../../kit/format.js";
import { unitsQuery } from "../../kit/units.js";
import { findingsOf } from "../../session/findings.js";

const SAID = 2; // findings in the sentence; all of them stand below it

const TABS = [
  ["flight", "Flight"],
  ["numbers", "Numbers"],
  ["compare", "Compare"],
  ["next", "Next flight"],
  ["files", "Videos and log"],
];

export function VerdictPanel(el, acts) {
  const says = h("p", { class: "verdict-says", testid: "verdict", role: "status" });
  const shelf = h("button", {
    type: "button",
    class: "act",
    testid: "shelf-open",
    "aria-expanded": "false",
    text: "Flights",
    on: { click: () => open(!drawn) },
  });
  const tabs = TABS.map(([key, title]) =>
    h("button", {
      type: "button",
      class: "tab",
      role: "tab",
      testid: `learn-${key}`,
      text: title,
      on: { click: () => choose(key) },
    }),
  );
  const list = h("div", { class: "tabs", role: "tablist", "aria-label": "Ways to look at it" }, ...tabs);
  const report = h("a", { class: "act verdict-report", testid: "report-open", download: "", text: "Report" });
  el.append(h("div", { class: "verdict-row" }, shelf, list, report), says);
  let drawn = false;
  let name;

  function choose(key) {
    setAttr(section(), "data-tab", key);
    TABS.forEach(([one], i) => {
      setAttr(tabs[i], "aria-selected", String(one === key));
      setAttr(tabs[i], "tabindex", one === key ? "0" : "-1");
    });
    acts.changed();
  }
  function open(shown) {
    drawn = shown;
    setAttr(section(), "data-shelf", shown ? "open" : "shut");
    setAttr(shelf, "aria-expanded", String(shown));
    acts.changed();
  }
  const section = () => el.closest(".place");
  list.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!step) return;
    const at = (tabs.indexOf(document.activeElement) + step + tabs.length) % tabs.length;
    event.preventDefault();
    event.stopPropagation();
    choose(TABS[at][0]);
    tabs[at].focus();
  });
  queueMicrotask(() => {
    choose("flight");
    open(true);
    // Who asked for a comparison is led to it at once, and not when it comes.
    section().addEventListener("compared", () => {
      choose("compare");
      open(false);
    });
  });
  return {
    update(view) {
      const { replay, summary, comparison } = view.page;
      // What has just flown is looked at like a recording; before that there are only the flights on the shelf.
      const flew = !replay && Boolean(view.moment("lift_off"));
      const looked = replay ? replay.name : flew;
      if (looked !== name) {
        name = looked;
        open(!replay && !flew);
        choose("flight");
      }
      setHidden(list, !replay && !comparison);
      setHidden(report, !replay);
      if (replay) setAttr(report, "href", `/api/sessions/${encodeURIComponent(replay.name)}/report${unitsQuery()}`);
      setText(says, replay ? sentenceOf(summary) : flew ? soFar(view) : NONE);
    },
  };
}

const NONE = "Open one of the flights beside this to see what happened.";

/** What the station has found of the flight that is still being recorded, and how high it came. */
function soFar(view) {
  const found = findingsOf(view);
  const height = view.moment("apogee")?.height_m;
  const top = Number.isFinite(height) ? ` It reached ${lengthText(height)}.` : "";
  const said = found.map(({ text }) => withSigns(text).replaceAll(/ degrees\b/g, "\u00b0"));
  return `So far${found.length ? `: ${said.slice(0, SAID).join("; ")}.` : ", no findings."}${top}`;
}

function sentenceOf(summary) {
  return withSigns(summary?.verdict ?? "The station could not judge this session.").replaceAll(/ degrees\b/g, "\u00b0");
}
