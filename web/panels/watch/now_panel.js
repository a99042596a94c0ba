// What decides in flight, in type that is read at two meters.

import { builder, h, s, setAttr, setClass, setHidden, setText, setTone } from "../../kit/dom.js";
import { chutesNow, climbNow, heightNow, phaseNow, timeNow, topNow } from "./now_words.js";

const ROWS = [
  ["phase", "Phase", phaseNow],
  ["time", "From lift-off", timeNow],
  ["height", "Height", heightNow],
  ["climb", "Climb", climbNow],
  ["top", "Top", topNow],
];
// Armed: a packed canopy, full. Fired: an open one with its lines. Not armed: a packed one, hollow.
const CHUTES = {
  armed: "M6 8 H26 V24 H6 Z",
  fired: "M2 16 A14 13 0 0 1 30 16 Z M4 16 L16 30 L28 16 M16 16 V30",
  open: "M6 8 H26 V24 H6 Z M2 28 L30 4",
  continuous: "M6 8 H26 V24 H6 Z",
  inhibited: "M6 8 H26 V24 H6 Z",
  unknown: "M6 4 H26 V28 H6 Z",
};

function row([id, title, read]) {
  const number = h("span", { class: "now-number", testid: `now-${id}` });
  const unit = h("span", { class: "now-unit" });
  const note = h("span", { class: "now-note", testid: `now-${id}-note` });
  const label = h("span", { class: "now-label", text: title });
  const el = h("div", { class: `now-row -${id}` }, label, h("span", { class: "now-line" }, number, unit), note);
  return { el, number, unit, note, read };
}

function chute({ name }) {
  const picture = s("svg", { class: "chute-picture", viewBox: "0 0 32 32", "aria-hidden": "true" }, s("path", {}));
  const word = h("span", { class: "chute-word" });
  const note = h("span", { class: "chute-note" });
  const words = h("span", { class: "chute-words" }, h("span", { class: "chute-name", text: name }), word, note);
  const el = h("li", { class: "chute" }, picture, words);
  return { el, path: picture.firstChild, word, note };
}

export function NowPanel(el) {
  const rows = ROWS.map(row);
  const list = h("ul", { class: "now-chutes", "aria-label": "Parachutes", testid: "now-chutes" });
  el.append(...rows.map((one) => one.el), list);
  const once = builder();
  let chutes = [];
  return {
    update(view) {
      for (const { el: box, number, unit, note, read } of rows) {
        const told = read(view);
        setHidden(box, !told);
        if (!told) continue;
        setText(number, told.text);
        setAttr(number, "data-value", told.value);
        setText(unit, told.unit ?? "");
        setText(note, told.note ?? "");
        setTone(box, told.tone);
        setClass(box, "-foretold", Boolean(told.foretold));
      }
      const states = chutesNow(view);
      once(view.store, () => {
        chutes = states.map(chute);
        list.replaceChildren(...chutes.map((one) => one.el));
      });
      setHidden(list, states.length === 0);
      states.forEach(({ state, word, note, tone }, i) => {
        setText(chutes[i].word, word);
        setText(chutes[i].note, note);
        setTone(chutes[i].el, tone);
        setAttr(chutes[i].el, "data-state", state);
        setAttr(chutes[i].path, "d", CHUTES[state]);
      });
    },
  };
}
