// The pad sheet by exception: how many lines stand, what people still have to do, and whatever does not stand with what
// to do about it. The lines that stand are counted, and shown when asked for. It advises; the range safety officer
// decides.

import { builder, h, setAttr, setHidden, setText, setTone, syncList } from "../../kit/dom.js";
import { purposeWords } from "./goals_card.js";
import { More } from "./more_panel.js";
import { automaticItem, List, manualItem } from "./pad_items.js";
import { printSheet } from "./pad_print.js";
import { ADVICE, exceptionsOf, handsOf, sheetNow, standsWords, toneNow, valueBeside } from "./pad_state.js";
import { soundTest } from "./sound_test.js";
import { SureButton } from "./sure_button.js";

const SHOWN = 3; // lines that do not stand: more are counted, so that nothing below moves away under a hand
const OPEN_KEY = "blockhouse.pad-sheet"; // a list put away stays away after a reload

/** On the Pad: at the cursor, with what an operator can tick. */
export function PadSheetPanel(el, acts) {
  const summary = h("p", { class: "pad-summary", role: "status", testid: "pad-summary" });
  const advice = h("p", { class: "pad-advice", text: ADVICE });
  const says = h("p", { class: "pad-says", testid: "pad-says" });
  const toggle = (testid, click, props) =>
    h("button", { type: "button", class: "act", testid, ...props, on: { click } });
  const turn = () => {
    open = !open;
    localStorage.setItem(OPEN_KEY, String(open));
    acts.changed();
  };
  const fold = toggle("pad-fold", turn);
  const reasons = toggle(
    "pad-why",
    () => {
      why = !why;
      acts.changed();
    },
    { text: "Why", "aria-pressed": "false" },
  );
  const afresh = new SureButton(
    "Clear ticks",
    "Sure? Clear",
    "pad-afresh",
    () => acts.pad({ act: "afresh", round: shown.round }),
    acts.changed,
  );
  const print = toggle("pad-print", () => printSheet(shown, at), { text: "Print" });
  const sound = soundTest(acts);
  const hands = Hands(tick);
  const more = More(acts);
  const purpose = h("p", { class: "pad-purpose", testid: "pad-purpose" });
  const below = h("div", { class: "pad-line" }, advice, purpose);
  const words = h("div", { class: "pad-words" }, summary, below, says, sound.says);
  const head = h(
    "div",
    { class: "pad-head" },
    words,
    h("div", { class: "pad-acts" }, reasons, afresh.el, sound.button, print, more.turn, fold),
  );
  const zone = Zone(turn);
  const none = h("p", {
    class: "absent",
    testid: "pad-none",
    text: "No pad sheet in this session. A station shows one when it is started with --pad-sheet FILE.",
  });
  const list = List();
  el.append(head, none, hands.el, zone.el, list.el, more.all);
  const once = builder();
  let open = localStorage.getItem(OPEN_KEY) === "true";
  let why = false;
  let shown = null;
  let at = null;

  function tick({ line, number, name, unit }) {
    const asked = { item: name, round: shown.round };
    acts.pad(line.by ? { act: "untick", ...asked } : { act: "tick", ...asked, ...(unit ? { number } : {}) });
  }

  return {
    update(view) {
      once(view.store, () => {
        for (const one of [hands, zone, list]) one.clear();
      });
      more.update(view);
      showPurpose(purpose, purposeWords(view));
      at = view;
      shown = sheetNow(view);
      setHidden(none, Boolean(shown));
      for (const one of [summary, advice, says, reasons, afresh.el, print, fold, hands.el]) setHidden(one, !shown);
      setHidden(zone.el, !shown || open);
      setHidden(list.el, !shown || !open);
      if (!shown) return;
      const able = Boolean(view.page.desk?.open) && !view.page.replay && shown.state === "open";
      setText(summary, standsWords(shown.lines));
      setTone(summary, toneNow(shown.lines));
      setText(says, stateWords(shown, able, view.page));
      setText(fold, open ? "Hide the list" : `All ${shown.lines.length}`);
      setAttr(fold, "aria-expanded", String(open));
      setAttr(
        fold,
        "aria-label",
        open ? "Hide the list of all lines" : `All ${shown.lines.length}: show the list of all lines`,
      );
      setAttr(reasons, "aria-pressed", String(why));
      afresh.update(able && shown.lines.some((line) => line.by));
      hands.update(shown, able, why);
      if (open) list.update(view, automaticOf(shown), able, why);
      else zone.update(view, shown);
    },
  };
}

function showPurpose(node, words) {
  setText(node, words);
  setAttr(node, "title", words || null);
  setHidden(node, !words);
}

const emptied = (list) => {
  list.replaceChildren();
  list.knownNodes?.clear();
};
const keyOf = (item) => `${item.name} ${item.title}`;

/** What people tick; `tick` is called with an item and the number beside it. */
function Hands(tick) {
  const el = h("ul", { class: "pad-hands", "aria-label": "For you to do", testid: "pad-hands" });
  return {
    el,
    clear: () => emptied(el),
    update(sheet, able, why) {
      syncList(
        el,
        handsOf(sheet.groups),
        keyOf,
        () => manualItem(tick),
        (one, item) => {
          one.show({ item, able });
          setAttr(one, "data-item", item.name);
          setText(one.reason, item.why);
          setHidden(one.reason, !why);
        },
      );
    },
  };
}

/** What does not stand, the worst first, each with what to do; below it what stands, or what more does not. */
function Zone(turn) {
  const list = h("ul", { class: "pad-exceptions", "aria-label": "What does not stand" });
  const rest = h("button", { type: "button", class: "pad-more", testid: "pad-more", on: { click: turn } });
  return {
    el: h("div", { class: "pad-zone", testid: "pad-zone" }, list, rest),
    clear: () => emptied(list),
    update(view, sheet) {
      const found = exceptionsOf(sheet.groups);
      const first = found.length > SHOWN ? found.slice(0, SHOWN - 1) : found;
      syncList(list, first, keyOf, automaticItem, (one, item) => {
        one.show({ item, text: valueBeside(view, sheet, item), rx: view.cursor.rx });
        setAttr(one, "data-item", item.name);
        setText(one.reason, item.why);
        setHidden(one.reason, false);
      });
      const others = found.slice(first.length);
      const stand = sheet.groups
        .flatMap(({ items }) => items)
        .filter(({ automatic, line }) => automatic && line.standing === "met");
      const standing = stand.map((item) => `${item.title} ${valueBeside(view, sheet, item)}`);
      const words = others.length
        ? `and ${others.length} more: ${others.map(({ title }) => title).join(", ")}`
        : `\u2713 ${stand.length} looked at by the station stand: ${standing.join(" \u00b7 ")}`;
      setText(rest, words);
      setAttr(rest, "data-stands", String(!others.length));
      setHidden(rest, (first.length === SHOWN && !others.length) || (!others.length && !stand.length));
    },
  };
}

/** The sheet without what people tick, which stands above the list. */
function automaticOf(sheet) {
  const groups = sheet.groups.map((group) => ({ ...group, items: group.items.filter((item) => item.automatic) }));
  return { ...sheet, groups: groups.filter(({ items }) => items.length) };
}

function stateWords(sheet, able, page) {
  if (sheet.state === "closed") return "Closed at lift-off: it stays as it was until the vehicle has landed.";
  if (sheet.round > 1 && sheet.why) return `Sheet ${sheet.round}, begun anew: ${sheet.why}.`;
  if (!page.replay && page.silentSince !== null) return "The station is silent: nothing can be ticked.";
  return able || page.replay ? sheet.note : "Operators who are signed in tick; this page watches.";
}
