// The lines of a pad sheet: what the station looks at itself, and what people tick. They show; nothing here judges.

import { h, setAttr, setClass, setHidden, setText, setTone, syncList } from "../../kit/dom.js";
import { age } from "../../kit/format.js";
import { BACK, plain, STANDINGS, standingWords, tickWords, valueBeside } from "./pad_state.js";

/** The groups with their items; `tick` is called with an item and the number beside it. */
export function List(tick) {
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

/** A line that the station looks at. */
export function automaticItem() {
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
    const standing = line.back ? BACK : STANDINGS[line.standing];
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

/** A line that a person ticks; `tick` is called with the item and the number beside it. */
export function manualItem(tick) {
  const { mark, title, told, reason } = parts();
  const button = h("button", { type: "button", class: "pad-tick", role: "checkbox" }, mark, title, told);
  const number = h("input", { type: "number", step: "any", inputmode: "decimal", class: "pad-number" });
  const unit = h("span", { class: "pad-unit" });
  // What is entered is SI, as the sheet asks for it; its unit stands beside.
  const asks = h("span", { class: "pad-asks", hidden: true, "data-si": true }, number, unit);
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
    setAttr(title, "title", item.title);
    setText(told, words);
    setAttr(told, "title", words);
    setAttr(button, "aria-checked", String(Boolean(line.by)));
    setAttr(button, "disabled", !able || !tick);
    setAttr(button, "data-testid", `pad-tick-${item.name}`);
    setHidden(asks, !item.unit || !tick);
    keepNumber(line);
    setText(unit, item.unit ?? "");
    setAttr(number, "placeholder", item.unit ?? "");
    setAttr(number, "disabled", !able || Boolean(line.by));
    setAttr(number, "aria-label", `${item.title}, in ${item.unit}`);
    setAttr(number, "data-testid", `pad-number-${item.name}`);
    setClass(node, "-asking", Boolean(item.unit && tick));
    setTone(node, standing.tone);
  };
  return node;
}
