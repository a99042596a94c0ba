// Fins: where each was told to be and where it is.

import { absent, builder, h, s, setAttr, setText, setTone } from "../../kit/dom.js";
import { fixed, NOTHING } from "../../kit/format.js";
import { ServoCable } from "../../kit/servo_cable.js";
import { unknownValue } from "../../kit/silence_words.js";
import { commandFor, family } from "../../session/roles.js";

const DEG = 180 / Math.PI;
const APART_DEG = 2;
const FULL_DEG = 15;
const HALF_PX = 92;

export function FinPanel(el, acts) {
  const once = builder();
  let rows = [];
  let buttons = [];
  const cable = ServoCable();
  let mode;

  function build(view) {
    const fins = family(view.store.roles, "fin");
    const move = commandFor(view.store.dictionary, "fin_move");
    const center = commandFor(view.store.dictionary, "fin_center");
    buttons = [];
    const button = (text, label, run, hazard) => {
      const made = h("button", {
        type: "button",
        class: `act -${hazard}`,
        text,
        "aria-label": label,
        on: { click: run },
      });
      buttons.push(made);
      return made;
    };
    rows = fins.map((fin) =>
      FinRow(
        fin,
        move && button("Move\u2026", `Move fin ${fin}`, () => acts.begin(move.name, { fin: Number(fin) }), move.hazard),
      ),
    );
    mode = h("p", { class: "facts" });
    cable.build(view);
    el.replaceChildren(
      h("div", { class: "fins" }, ...rows.map((row) => row.el)),
      cable.el,
      h(
        "div",
        { class: "fin-foot" },
        mode,
        center && button("Center all", "Center all fins", () => acts.begin(center.name, {}), center.hazard),
      ),
    );
    if (fins.length === 0) el.replaceChildren(absent("Fins are"));
  }

  return {
    update(view) {
      once(view.store, () => build(view));
      for (const row of rows) row.update(view);
      for (const button of buttons) setAttr(button, "disabled", !view.page.canCommand);
      cable.update(view);
      const word = view.word("control.mode");
      const { stale, age } = view.sample("control.mode") ?? {};
      setText(mode, word ? `mode ${stale ? unknownValue(word, age) : word}` : "");
    },
  };
}

function FinRow(fin, move) {
  const asked = s("path", { class: "fin-asked" });
  const is = s("rect", { class: "fin-is", y: 9, height: 14 });
  const picture = s(
    "svg",
    { class: "fin-picture", viewBox: "0 0 200 32", "aria-hidden": "true" },
    s("line", { class: "fin-axis", x1: 8, x2: 192, y1: 16, y2: 16 }),
    s("line", { class: "fin-axis", x1: 100, x2: 100, y1: 4, y2: 28 }),
    s("line", { class: "fin-axis", x1: 8, x2: 8, y1: 8, y2: 24 }),
    s("line", { class: "fin-axis", x1: 192, x2: 192, y1: 8, y2: 24 }),
    is,
    asked,
  );
  const words = h("span", { class: "fin-words" });
  const el = h("div", { class: "fin" }, h("span", { class: "channel-name", text: `Fin ${fin}` }), picture, words, move);
  return {
    el,
    update(view) {
      const commanded = view.value(`fin[${fin}].commanded`);
      const measured = view.sample(`fin[${fin}].measured`);
      const x = (value) => 100 + Math.max(-1.08, Math.min(1.08, (value * DEG) / FULL_DEG)) * HALF_PX;
      const drawn = Number.isFinite(measured?.value) && !measured.stale;
      setAttr(is, "x", drawn ? Math.min(100, x(measured.value)) : 100);
      setAttr(is, "width", drawn ? Math.abs(x(measured.value) - 100) : 0);
      setAttr(asked, "d", Number.isFinite(commanded) && !measured?.stale ? `M${x(commanded)} 4 V28` : "");
      const apart = drawn && Number.isFinite(commanded) && Math.abs(commanded - measured.value) * DEG > APART_DEG;
      const said = `${degrees(measured?.value)} of ${degrees(commanded)}${apart ? " apart" : ""}`;
      setText(words, measured?.stale && measured.value !== undefined ? unknownValue(said, measured.age) : said);
      setTone(el, measured?.stale ? "stale" : apart ? "caution" : "none");
    },
  };
}

function degrees(value) {
  return value === undefined ? NOTHING : `${fixed(value * DEG, 1)}\u00b0`;
}
