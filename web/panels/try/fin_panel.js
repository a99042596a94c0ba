// What can be tried: the fins seen from the tail at their angle with the asked one as a ghost, the servo cable, and how
// cameras and firing channels stand.

import { builder, h, s, setAttr, setClass, setHidden, setText, setTone } from "../../kit/dom.js";
import { fixed, NOTHING } from "../../kit/format.js";
import { ServoCable } from "../../kit/servo_cable.js";
import { unknownValue } from "../../kit/silence_words.js";
import { APART_DEG, BODY_R, BOX, tailShapes, tailWords, viewOf } from "../../pictures/tail.js";
import { commandFor, family } from "../../session/roles.js";
import { StatesList } from "./states_list.js";
import { newestTrial } from "./trial_words.js";

const DEG = 180 / Math.PI;
const REDRAW_MS = 100;
const WORDS_MS = 1000;

export function FinPanel(el, acts) {
  const once = builder();
  let rows = [];
  let buttons = [];
  let picture;
  let drawnAt = -Infinity;
  const cable = ServoCable();
  const states = StatesList();
  const none = h("p", { class: "absent", text: "This vehicle's dictionary tells no fins." });
  const mode = h("p", { class: "facts" });

  function build(view) {
    const fins = family(view.store.roles, "fin").filter((fin) => view.has(`fin[${fin}].measured`));
    const move = commandFor(view.store.dictionary, "fin_move");
    const center = commandFor(view.store.dictionary, "fin_center");
    buttons = [];
    const button = (text, label, run, hazard) => {
      const look = { type: "button", class: `act -${hazard}`, text, "aria-label": label };
      const made = h("button", { ...look, on: { click: run } });
      buttons.push(made);
      return made;
    };
    rows = fins.map((fin) => {
      const run = () => acts.begin(move.name, { fin: Number(fin) });
      return FinRow(fin, move && button("Move\u2026", `Move fin ${fin}`, run, move.hazard));
    });
    picture = TailPicture(fins);
    setHidden(none, fins.length > 0);
    const all = () => acts.begin(center.name, {});
    cable.build(view);
    states.build(view);
    el.replaceChildren(
      none,
      h("div", { class: "tail", hidden: fins.length === 0 }, picture.el),
      h("div", { class: "fins" }, ...rows.map((row) => row.el)),
      h("div", { class: "fin-foot" }, mode, center && button("Center all", "Center all fins", all, center.hazard)),
      cable.el,
      states.el,
    );
  }

  return {
    update(view) {
      const fresh = once(view.store, () => build(view));
      for (const button of buttons) setAttr(button, "disabled", !view.page.canCommand);
      const now = performance.now();
      if (!fresh && view.cursor.live && now - drawnAt < REDRAW_MS) return;
      drawnAt = now;
      const fins = rows.map((row) => row.read(view));
      picture.update(fins, now, onTrial(view));
      cable.update(view);
      states.update(view);
      const word = view.word("control.mode");
      const { stale, age } = view.sample("control.mode") ?? {};
      setText(mode, word ? `mode ${stale ? unknownValue(word, age) : word}` : "");
    },
  };
}

const points = (corners) => (corners ?? []).map((corner) => corner.map((one) => one.toFixed(1)).join(",")).join(" ");

/** Name of the fin that a running trial is at; undefined while none is. */
function onTrial(view) {
  const trial = newestTrial(view);
  return trial?.state === "running" ? trial.progress?.variant?.match(/^fin (\S+)$/)?.[1] : undefined;
}

function TailPicture(fins) {
  const parts = fins.map(() => ({
    hinge: s("line", { class: "tail-hinge" }),
    is: s("polygon", { class: "tail-is" }),
    asked: s("polygon", { class: "tail-asked" }),
    name: s("text", { class: "tail-name", "text-anchor": "middle" }),
    words: s("text", { class: "tail-words", "text-anchor": "middle" }),
  }));
  const { width, height } = BOX;
  const middle = { cx: width / 2, cy: height / 2 };
  const el = s(
    "svg",
    { class: "tail-picture", viewBox: viewOf(fins.length), role: "img", "data-testid": "tail" },
    s("circle", { class: "tail-body", ...middle, r: BODY_R }),
    s("circle", { class: "tail-nozzle", ...middle, r: BODY_R / 2.6 }),
    ...parts.flatMap(({ hinge, is, asked, name, words }) => [is, asked, hinge, name, words]),
  );
  let saidAt = -Infinity;
  return {
    el: h(
      "figure",
      { class: "tail-figure" },
      el,
      h("figcaption", { class: "facts", text: "From the tail, drawn double; dashed: where asked." }),
    ),
    update(told, now, tried) {
      for (const [i, shape] of tailShapes(told).entries()) draw(parts[i], shape, shape.name === tried);
      if (now - saidAt < WORDS_MS) return;
      saidAt = now;
      setAttr(el, "aria-label", tailWords(told));
    },
  };
}

function draw(part, { name, hinge, is, asked, apart, label, words }, isTried) {
  setClass(part.name, "-tried", isTried);
  const [[x1, y1], [x2, y2]] = hinge.map((corner) => corner.map((one) => one.toFixed(1)));
  for (const [key, value] of Object.entries({ x1, y1, x2, y2 })) setAttr(part.hinge, key, value);
  setAttr(part.is, "points", points(is));
  setAttr(part.asked, "points", points(asked));
  setTone(part.is, apart ? "caution" : "none");
  for (const [node, y] of [
    [part.name, label.y - 3],
    [part.words, label.y + 12],
  ]) {
    setAttr(node, "x", label.x.toFixed(1));
    setAttr(node, "y", y.toFixed(1));
  }
  setText(part.name, isTried ? `\u25b8 Fin ${name}` : `Fin ${name}`);
  setText(part.words, words);
}

function FinRow(fin, move) {
  const words = h("span", { class: "fin-words" });
  const el = h(
    "div",
    { class: "fin" },
    h("span", { class: "fin-said" }, h("span", { class: "fin-name", text: `Fin ${fin}` }), words),
    move,
  );
  return {
    el,
    /** Show where it is and return {name, asked, measured, stale} for the picture. */
    read(view) {
      const asked = view.value(`fin[${fin}].commanded`);
      const { value, stale, age } = view.sample(`fin[${fin}].measured`);
      const apart = !stale && Math.abs(asked - value) * DEG > APART_DEG;
      const said = `${degrees(value)} of ${degrees(asked)}${apart ? " apart" : ""}`;
      setText(words, stale && value !== undefined ? unknownValue(said, age) : said);
      setTone(el, stale ? "stale" : apart ? "caution" : "none");
      return { name: fin, asked, measured: value, stale };
    },
  };
}

function degrees(value) {
  return value === undefined ? NOTHING : `${fixed(value * DEG, 1)}\u00b0`;
}
