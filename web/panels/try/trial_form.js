// Which written plan is to run and how often, with its cautions and with what will be sent.

import { h, setAttr, setText, syncList } from "../../kit/dom.js";
import { sentence } from "../../kit/format.js";
import { countOf, cyclesOf } from "./trial_words.js";

export class TrialForm {
  #plans = null;

  /** @param {() => void} changed */
  constructor(changed) {
    const field = (title, ...inputs) =>
      h("label", { class: "field" }, h("span", { class: "field-name", text: title }), ...inputs);
    const choice = { testid: "trial-plan", "aria-label": "Trial plan" };
    const number = { type: "number", min: "1", max: "10000", step: "1", value: "1", testid: "trial-cycles" };
    this.choose = h("select", choice);
    this.cycles = h("input", { ...number, on: { input: changed } });
    this.runs = h("span", { class: "field-hint" });
    this.cautions = h("ul", { class: "trial-cautions", "aria-label": "Cautions" });
    this.lines = h("ul", { class: "trial-lines" });
    this.choose.addEventListener("change", () => {
      const plan = this.#plan();
      if (plan) this.cycles.value = String(plan.cycles);
      changed();
    });
    this.el = h(
      "div",
      { class: "trial-form" },
      h("div", { class: "sheet-fields" }, field("Plan", this.choose), field("Cycles", this.cycles, this.runs)),
      this.cautions,
      h("details", { class: "trial-what" }, h("summary", { text: "What will be sent" }), this.lines),
    );
  }

  /** {plan: its name, cycles} as chosen; undefined while that is no whole number in range. */
  chosen() {
    const plan = this.#plan();
    const cycles = cyclesOf(this.cycles.value);
    return plan && !Number.isNaN(cycles) ? { plan: plan.name, cycles } : undefined;
  }

  /** @param {object[]|null} plans @param {{name: string, cycles: number}|undefined} taken what is ready or runs */
  update(plans, taken) {
    if (plans !== this.#plans) this.#offer(plans ?? []);
    this.#plans = plans;
    if (taken && plans?.some(({ name }) => name === taken.name)) {
      this.choose.value = taken.name;
      this.cycles.value = String(taken.cycles);
    }
    for (const field of [this.choose, this.cycles]) setAttr(field, "disabled", Boolean(taken));
    const plan = this.#plan();
    if (plan) this.#draw(plan);
    return plan;
  }

  #plan() {
    return this.#plans?.find(({ name }) => name === this.choose.value);
  }

  #offer(plans) {
    // The station gives the least dangerous first; a plan that is more dangerous is chosen, never met.
    const hazards = [...new Set(plans.map(({ hazard }) => hazard))];
    const of = (hazard) => plans.filter((plan) => plan.hazard === hazard);
    const option = ({ name, title }) => h("option", { value: name, text: title });
    const group = (hazard) => h("optgroup", { label: sentence(hazard) }, ...of(hazard).map(option));
    this.choose.replaceChildren(...hazards.map(group));
    if (plans.length) this.cycles.value = String(plans[0].cycles);
  }

  #draw(plan) {
    const cycles = cyclesOf(this.cycles.value);
    const runs = `${countOf(cycles * plan.runs_per_cycle, "run")}, ${plan.hazard}`;
    setText(this.runs, Number.isNaN(cycles) ? "1 to 10000, a whole number" : runs);
    setAttr(this.cautions, "data-hazard", plan.hazard);
    const nothing = () => {};
    const caution = (text) => h("li", { class: "sheet-caution", text });
    syncList(this.cautions, plan.cautions, (text) => text, caution, nothing);
    const lines = plan.lines.map((text, i) => ({ text, key: `${plan.name} ${i} ${text}` }));
    const keyOf = ({ key }) => key;
    const line = ({ text }) => h("li", { text });
    syncList(this.lines, lines, keyOf, line, nothing);
  }
}
