// The pad sheet: what the station looks at itself, and what people tick. It advises; the range safety officer decides.

import { builder, h, setAttr, setClass, setHidden, setText, setTone, syncList, watcher } from "../../kit/dom.js";
import { age, sentence } from "../../kit/format.js";
import { printSheet } from "./pad_print.js";
import {
  ADVICE,
  closedAt,
  missingOf,
  plain,
  STANDINGS,
  sheetAt,
  sheetNow,
  standingWords,
  summaryOf,
  tickWords,
  toneOf,
  valueBeside,
} from "./pad_state.js";
import { soundTest } from "./sound_test.js";

const SURE_WITHIN_MS = 4000;
const NARROW = "(max-width: 700px)";
const OPEN_KEY = "blockhouse.pad-sheet"; // a list put away stays away after a reload

/** On the Pad: at the cursor, with what an operator can tick. */
export function PadSheetPanel(el, acts) {
  const summary = h("p", { class: "pad-summary", role: "status", testid: "pad-summary" });
  const advice = h("p", { class: "pad-advice", text: ADVICE });
  const says = h("p", { class: "pad-says", testid: "pad-says" });
  const fold = h("button", {
    type: "button",
    class: "act",
    testid: "pad-fold",
    on: {
      click: () => {
        open = !open;
        localStorage.setItem(OPEN_KEY, String(open));
        acts.changed();
      },
    },
  });
  const reasons = h("button", {
    type: "button",
    class: "act",
    testid: "pad-why",
    text: "Why",
    "aria-pressed": "false",
    on: {
      click: () => {
        why = !why;
        acts.changed();
      },
    },
  });
  const afresh = new Sure(
    "Clear ticks",
    "Sure? Clear",
    "pad-afresh",
    () => acts.pad({ act: "afresh", round: shown.round }),
    acts.changed,
  );
  const print = h("button", {
    type: "button",
    class: "act",
    testid: "pad-print",
    text: "Print the sheet",
    on: { click: () => printSheet(shown, at) },
  });
  const sound = soundTest(acts);
  const head = h(
    "div",
    { class: "pad-head" },
    h("div", { class: "pad-words" }, summary, advice, says, sound.says),
    h("div", { class: "pad-acts" }, reasons, afresh.el, sound.button, print, fold),
  );
  const none = h("p", {
    class: "absent",
    testid: "pad-none",
    text: "No pad sheet in this session. A station shows one when it is started with --pad-sheet FILE.",
  });
  const list = List((item) => tick(item));
  el.append(head, none, list.el);
  const once = builder();
  let open = (localStorage.getItem(OPEN_KEY) ?? String(!matchMedia(NARROW).matches)) === "true";
  let why = false;
  let shown = null;
  let at = null;

  function tick(item) {
    const { line, number, name } = item;
    if (line.by) {
      acts.pad({ act: "untick", item: name, round: shown.round });
      return;
    }
    acts.pad({ act: "tick", item: name, round: shown.round, ...(item.unit ? { number } : {}) });
  }

  return {
    update(view) {
      once(view.store, () => list.clear());
      at = view;
      shown = sheetNow(view);
      setHidden(head, !shown);
      setHidden(none, Boolean(shown));
      setHidden(list.el, !shown || !open);
      if (!shown) return;
      const able = Boolean(view.page.desk?.open) && !view.page.replay && shown.state === "open";
      setText(summary, summaryOf(shown.lines));
      setTone(summary, toneOf(shown.lines));
      setText(says, (!open && missingOf(shown.groups)) || stateWords(shown, able, view.page));
      setText(fold, open ? "Hide the list" : "Show the list");
      setAttr(fold, "aria-expanded", String(open));
      setAttr(reasons, "aria-pressed", String(why));
      for (const button of [reasons, afresh.el]) setHidden(button, !open);
      afresh.update(able && shown.lines.some((line) => line.by));
      if (open) list.update(view, shown, able, why);
    },
  };
}

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

function stateWords(sheet, able, page) {
  if (sheet.state === "closed") return "Closed at lift-off: it stays as it was until the vehicle has landed.";
  if (sheet.round > 1 && sheet.why) return `Sheet ${sheet.round}, begun anew: ${sheet.why}.`;
  if (!page.replay && page.silentSince !== null) return "The station is silent: nothing can be ticked.";
  return able || page.replay ? sheet.note : "Operators who are signed in tick; this page watches.";
}

/** The groups with their items; `tick` is called with an item and the number beside it. */
function List(tick) {
  const el = h("div", { class: "pad-groups", testid: "pad-list" });
  const clear = () => {
    el.replaceChildren();
    el.knownNodes?.clear();
  };
  const make = (item) => (item.automatic ? automaticItem() : manualItem(tick));
  return {
    el,
    clear,
    update(view, sheet, able, why) {
      syncList(
        el,
        sheet.groups.map((group, i) => ({ ...group, i })),
        ({ i, title }) => `${i} ${title}`,
        ({ title }) => h("section", { class: "pad-group" }, h("h3", { text: title }), h("ul")),
        (node, group) => {
          syncList(
            node.lastChild,
            group.items,
            (item) => `${item.name} ${item.title}`,
            make,
            (one, item) => {
              one.show({ item, text: valueBeside(view, sheet, item), able, rx: view.cursor.rx });
              setAttr(one, "data-item", item.name);
              setText(one.reason, item.why);
              setHidden(one.reason, !why);
            },
          );
        },
      );
    },
  };
}

function parts() {
  const mark = h("span", { class: "pad-mark", "aria-hidden": "true" });
  const title = h("span", { class: "pad-title" });
  const told = h("span", { class: "pad-told" });
  return { mark, title, told, reason: h("p", { class: "pad-reason", hidden: true }) };
}

function automaticItem() {
  const { mark, title, told, reason } = parts();
  const word = h("b", { class: "pad-word" });
  const value = h("span", { class: "pad-value" });
  const bound = h("span", { class: "pad-bound" });
  const since = h("span", { class: "pad-since" });
  told.append(word, " ", value, " ", bound);
  const node = h("li", { class: "pad-item" }, mark, title, since, told, reason);
  node.reason = reason;
  node.show = ({ item, text, rx }) => {
    const { line } = item;
    const standing = STANDINGS[line.standing];
    setText(mark, standing.mark);
    setText(title, item.title);
    setAttr(title, "title", item.title);
    setText(word, standingWords(line));
    // Of flags "met" says it all.
    setText(value, line.was && Number.isFinite(item.flag) ? "" : text);
    // What is not known any more is compared with nothing; its line has room for what was said and when.
    setText(bound, line.was ? "" : `(${plain(item.bound)})`);
    setText(since, line.lost && !line.was ? `for ${age(rx - line.since_rx)}` : "");
    setAttr(told, "title", told.textContent);
    setTone(node, standing.tone);
  };
  return node;
}

function manualItem(tick) {
  const { mark, title, told, reason } = parts();
  const button = h("button", { type: "button", class: "pad-tick", role: "checkbox" }, mark, title, told);
  const number = h("input", { type: "number", step: "any", inputmode: "decimal", class: "pad-number" });
  const unit = h("span", { class: "pad-unit" });
  const asks = h("span", { class: "pad-asks", hidden: true }, number, unit);
  const node = h("li", { class: "pad-item -manual" }, button, asks, reason);
  node.reason = reason;
  let now = null;
  const act = () => {
    if (now.unit && !now.line.by && number.value.trim() === "") {
      number.focus();
      return;
    }
    tick({ ...now, number: number.value.trim() === "" ? null : Number(number.value) });
  };
  // While the item is ticked its number stands in the field, on every page.
  let kept = false;
  const keepNumber = (line) => {
    if (line.by && Number.isFinite(line.number)) {
      kept = true;
      number.value = String(line.number);
    } else if (kept) {
      kept = false;
      number.value = "";
    }
  };
  button.addEventListener("click", act);
  number.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && !now.line.by) act();
  });
  node.show = ({ item, able }) => {
    now = item;
    const { line } = item;
    const standing = STANDINGS[line.standing];
    const words = tickWords(line) + (item.bound && !line.by ? ` (${plain(item.bound)})` : "");
    setText(mark, line.by ? standing.mark : "");
    setText(title, item.title);
    setText(told, words);
    setAttr(told, "title", words);
    setAttr(button, "aria-checked", String(Boolean(line.by)));
    setAttr(button, "disabled", !able || !tick);
    setAttr(button, "data-testid", `pad-tick-${item.name}`);
    setHidden(asks, !item.unit || !tick);
    keepNumber(line);
    setText(unit, item.unit ?? "");
    setAttr(number, "disabled", !able || Boolean(line.by));
    setAttr(number, "aria-label", `${item.title}, in ${item.unit}`);
    setAttr(number, "data-testid", `pad-number-${item.name}`);
    setClass(node, "-asking", Boolean(item.unit && tick));
    setTone(node, standing.tone);
  };
  return node;
}

/** A button that asks once more: the first press changes its words for a few seconds, the second one acts. */
class Sure {
  #until = 0;
  #words;

  constructor(words, sure, testid, done, changed) {
    this.#words = [words, sure];
    this.el = h("button", {
      type: "button",
      class: "act pad-sure",
      testid,
      text: words,
      on: {
        click: () => {
          if (performance.now() < this.#until) {
            this.#until = 0;
            done();
          } else this.#until = performance.now() + SURE_WITHIN_MS;
          changed();
        },
      },
    });
  }

  update(able) {
    if (!able) this.#until = 0;
    setAttr(this.el, "disabled", !able);
    setText(this.el, this.#words[performance.now() < this.#until ? 1 : 0]);
  }
}
