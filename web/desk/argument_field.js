// One argument of a command as a field of the desk sheet: a choice where it counts something, else a number.

import { h, setHidden, setText } from "../kit/dom.js";
import { inDisplayUnit, unitText } from "../kit/format.js";
import { choices, label, shownRange } from "./arguments.js";

const NO_CHOICE = ""; // of a state that is not known: nothing is offered

/**
 * @param {object} arg @param {number|undefined} preset in SI @param {string[]} fitted members of the family it counts
 */
export function ArgumentField(arg, preset, fitted) {
  const options = choices(arg, fitted);
  const unit = unitText(arg.display_unit || arg.unit);
  const [low, high] = shownRange(arg);
  const isWord = Boolean(options && arg.values);
  const none = isWord && h("option", { value: NO_CHOICE, text: "Choose\u2026", hidden: true });
  const input = options
    ? h(
        "select",
        { testid: `arg-${arg.name}` },
        none,
        ...options.map(({ value, text }) => h("option", { value: String(value), text })),
      )
    : h("input", { type: "number", step: "any", min: low, max: high, value: "0", testid: `arg-${arg.name}` });
  if (options?.length) input.value = String(options[0].value);
  if (preset !== undefined) input.value = String(options ? preset : inDisplayUnit(arg, preset));
  let touched = preset !== undefined;
  input.addEventListener("change", () => {
    touched = true;
  });
  const range = options
    ? ""
    : (unit === "\u00b0" ? `${low}\u00b0 to ${high}\u00b0` : `${low} to ${high} ${unit}`).replaceAll("-", "\u2212");
  const hint = h("span", { class: "field-hint", text: range });
  const el = h(
    "label",
    { class: "field", "data-si": true },
    h("span", { class: "field-name", text: label(arg) }),
    input,
    hint,
  );
  const said = () => (options ? (input.selectedOptions[0]?.textContent ?? "") : `${input.value}${unit}`);
  return {
    arg,
    input,
    el,
    options,
    isWord,
    isMeasure: !options,
    shown: () => said().replace(/^-/, "\u2212"),
    /** Offer a choice, null for none, unless the person has chosen; `words` say what is so now. */
    offer(value, words) {
      if (!touched && value !== undefined) input.value = value === null ? NO_CHOICE : String(value);
      setText(hint, words);
      setHidden(hint, !words);
    },
  };
}
