// Battery and what each rail draws.

import { absent, builder, h, setText, setTone } from "../../kit/dom.js";
import { limitState, sentence } from "../../kit/format.js";
import { sampleWords } from "../../kit/silence_words.js";
import { family } from "../../session/roles.js";

const BATTERY = [
  ["battery.voltage", "Battery"],
  ["battery.current", "Drawn"],
  ["battery.charge_used", "Used since switch-on"],
];

export function PowerPanel(el) {
  const once = builder();
  let rows = [];
  function build(view) {
    const rails = family(view.store.roles, "rail").map((name) => [`rail[${name}].current`, `${sentence(name)} rail`]);
    const list = h("dl", { class: "pairs" });
    rows = [...BATTERY, ...rails]
      .filter(([role]) => view.has(role))
      .map(([role, title]) => {
        const value = h("dd");
        list.append(h("dt", { text: title }), value);
        return { role, value };
      });
    el.replaceChildren(rows.length ? list : absent("Battery and rails are"));
  }
  return {
    update(view) {
      once(view.store, () => build(view));
      for (const { role, value } of rows) {
        const sample = view.sample(role);
        const limit = limitState(sample.column, sample.value);
        const word = { warning: ", outside limits", caution: ", outside normal" }[limit] ?? "";
        setText(value, sampleWords(sample) + (sample.stale ? "" : word));
        setTone(value, limit || (sample.stale ? "stale" : "none"));
      }
    },
  };
}
