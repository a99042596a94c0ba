// One argument of a command as a field of the desk sheet: a choice where it counts something, else a number.

import { h } from "../kit/dom.js";
import { inDisplayUnit, unitText } from "../kit/format.js";
import { choices, label, shownRange } from "./arguments.js";

/**
 * @param {object} arg @param {number|undefined} preset in SI @param {string[]} fitted members of the family it counts
 */
export function ArgumentField(arg, preset, fitted) {
  const options = choices(arg, fitted);
  const unit = unitText(arg.display_unit || arg.unit);
  const [low, high] = shownRange(arg);
  const input = options
    ? h(
        "select",
        { testid: `arg-${arg.name}` },
        ...options.map(({ value, text }) => h("option", { value: String(value), text })),
      )
    : h("input", { type: "number", step: "any", min: low, max: high, value: "0", testid: `arg-${arg.name}` });
  if (preset !== undefined) input.value = String(options ? preset : inDisplayUnit(arg, preset));
  const hint = options
    ? ""
    : (unit === "\u00b0" ? `${low}\u00b0 to ${high}\u00b0` : `${low} to ${high} ${unit}`).replaceAll("-", "\u2212");
  const el = h(
    "label",
    { class: "field" },
    h("span", { class: "field-name", text: label(arg) }),
    input,
    h("span", { class: "field-hint", text: hint }),
  );
  const shown = () => (options ? (input.selectedOptions[0]?.textContent ?? "") : `${input.value}${unit}`);
  return { arg, input, el, shown };
}
