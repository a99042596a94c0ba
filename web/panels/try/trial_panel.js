// Bench trials: choose a written plan, get it ready, hold to confirm, watch it cycle by cycle, read the result. What a
// trial is doing stands in the journal (topic "trial"), so a replay shows it as it was. The result is drawn in
// trial_result.js.

import { confirmWindow, countdown } from "../../kit/confirm_window.js";
import { h, setAttr, setHidden, setText, setTone, syncList } from "../../kit/dom.js";
import { HoldButton } from "../../kit/hold_button.js";
import { TrialResult } from "./trial_result.js";

const STATES = {
  armed: { word: "ready, waiting for the second act", tone: "caution" },
  cancelled: { word: "taken back before anything was sent", tone: "none" },
  expired: { word: "time ran out, nothing was sent", tone: "none" },
  running: { word: "running", tone: "busy" },
  passed: { word: "passed", tone: "good" },
  failed: { word: "failed", tone: "danger" },
  stopped: { word: "stopped by a person", tone: "caution" },
  interrupted: { word: "ended, because the station was restarted; treat everything as armed", tone: "danger" },
};

/** The newest trial at the cursor with the state it is in now: what nobody confirmed in time has ended by itself. */
export function newestTrial(view) {
  const entry = view
    .states("trial")
    .reduce((newest, one) => (!newest || one.rx >= newest.rx ? one : newest), undefined);
  if (!entry) return undefined;
  const trial = { ...entry.body, entry };
  if (trial.state !== "armed") return trial;
  const permit = trial.permit ? view.state("permit", trial.permit)?.body : undefined;
  if (permit?.state === "ended") return { ...trial, state: "expired", why: permit.reason };
  return confirmWindow(trial, view.cursor.rx) === "late" ? { ...trial, state: "expired" } : trial;
}

/** One sentence about a trial. */
export function trialSentence(trial) {
  const { plan, progress, result, state } = trial;
  const parts = [`${plan.title}: ${trial.why ? `no longer ready, ${trial.why}` : (STATES[state]?.word ?? state)}`];
  if (state === "running" && progress) {
    parts.push(
      progress.run
        ? `run ${progress.run} of ${progress.runs}, cycle ${progress.cycle} of ${progress.cycles}`
        : progress.state,
    );
    if (progress.variant) parts.push(progress.variant);
    if (progress.step) parts.push(progress.step);
  }
  if (result) parts.push(`${result.passed} of ${result.runs} runs passed`);
  if (result?.cause) parts.push(result.cause);
  if (result && !result.safe) parts.push("NOT seen to be safe: treat everything as armed");
  return parts.join(" \u00b7 ");
}

/** How a trial looks: what nobody has seen safe is dangerous, whatever its score. */
export function trialTone({ state, result }) {
  return result && !result.safe ? "danger" : (STATES[state]?.tone ?? "none");
}

/** Number of cycles as typed: a whole number in range, or NaN. */
export function cyclesOf(text) {
  return /^\s*\d{1,5}\s*$/.test(text) && Number(text) >= 1 && Number(text) <= 10000 ? Number(text) : NaN;
}

export function TrialPanel(el, acts) {
  let plans = null;
  let problem = "";
  let asked = false;
  let ready = null;

  const choose = h("select", {
    testid: "trial-plan",
    "aria-label": "Trial plan",
    on: {
      change: () => {
        const plan = chosen();
        if (plan) cycles.value = String(plan.cycles);
        acts.changed();
      },
    },
  });
  const cycles = h("input", {
    type: "number",
    min: "1",
    max: "10000",
    step: "1",
    value: "1",
    testid: "trial-cycles",
    on: { input: acts.changed },
  });
  const runs = h("span", { class: "field-hint" });
  const cautions = h("ul", { class: "trial-cautions", "aria-label": "Cautions" });
  const lines = h("ul", { class: "trial-lines" });
  const what = h("details", { class: "trial-what" }, h("summary", { text: "What will be sent" }), lines);
  const arm = h("button", {
    type: "button",
    class: "act",
    testid: "trial-arm",
    text: "1  Get the plan ready",
    on: { click: () => acts.desk({ type: "trial", act: "arm", plan: chosen().name, cycles: cyclesOf(cycles.value) }) },
  });
  const hold = HoldButton(() => acts.desk({ type: "trial", act: "confirm", id: ready }));
  setAttr(hold.el, "data-testid", "trial-confirm");
  const count = h("p", { class: "countdown", testid: "trial-countdown" });
  const cancel = h("button", {
    type: "button",
    class: "act",
    testid: "trial-cancel",
    text: "Take back",
    on: { click: () => acts.desk({ type: "trial", act: "cancel" }) },
  });
  const stop = h("button", {
    type: "button",
    class: "act trial-stop",
    testid: "trial-stop",
    text: "Stop and make safe",
    on: { click: () => acts.desk({ type: "trial", act: "stop" }) },
  });
  const form = h(
    "div",
    { class: "trial-form" },
    h(
      "div",
      { class: "sheet-fields" },
      h("label", { class: "field" }, h("span", { class: "field-name", text: "Plan" }), choose),
      h("label", { class: "field" }, h("span", { class: "field-name", text: "Cycles" }), cycles, runs),
    ),
    cautions,
    what,
  );
  const why = h("p", { class: "absent", testid: "trial-why" });
  const said = h("p", { class: "trial-said", testid: "trial-said", role: "status" });
  const bar = h("progress", { class: "trial-progress", max: "1", value: "0", "aria-label": "Runs done" });
  const result = TrialResult();
  el.append(why, form, h("div", { class: "trial-acts" }, arm, hold.el, count, cancel, stop), said, bar, result.el);

  const chosen = () => plans?.find(({ name }) => name === choose.value);

  async function load() {
    asked = true;
    try {
      const answer = await fetch("/api/trials", { cache: "no-store" });
      if (!answer.ok) throw new Error();
      const body = await answer.json();
      plans = body.plans;
      choose.replaceChildren(...plans.map(({ name, title }) => h("option", { value: name, text: title })));
      if (plans.length) cycles.value = String(plans[0].cycles);
      problem = plans.length ? "" : ["No trial plan fits this vehicle.", ...Object.values(body.problems)].join(" ");
    } catch {
      problem = "The station did not give its trial plans.";
      setTimeout(() => {
        asked = false;
        acts.changed();
      }, 2000);
    }
    acts.changed();
  }

  function update(view) {
    const { replay, mode, desk, canCommand } = view.page;
    const live = !replay && mode !== "replay";
    if (live && !asked) load();
    const trial = newestTrial(view);
    const state = trial?.state;
    const busy = state === "armed" || state === "running";
    setText(
      why,
      !live
        ? "A replay shows trials; it runs none."
        : problem || (desk ? "" : "Trials need the operator's link, which the station prints in its terminal."),
    );
    setHidden(why, why.textContent === "");
    // The form stays while a plan is armed or runs: the cautions are read before the second act, and nothing moves.
    setHidden(form, !live || !desk || !plans?.length);
    setHidden(arm, form.hidden || busy);
    drawPlan(canCommand, busy && trial.plan);
    drawHold(live && state === "armed" && Boolean(desk?.open), trial, view.cursor.rx);
    setHidden(cancel, !live || state !== "armed" || !desk?.open);
    setHidden(stop, !live || state !== "running" || !desk?.open);
    setText(
      count,
      live && state === "armed"
        ? `${trial.plan.cycles} cycles, got ready by ${trial.operator} \u00b7 ${countdown(trial, view.cursor.rx)}`
        : "",
    );
    setText(said, trial ? trialSentence(trial) : live ? "" : "No trial in this session up to here.");
    setTone(said, trial ? trialTone(trial) : "none");
    setAttr(said, "data-state", state);
    drawProgress(trial);
    result.update(trial?.result, trial?.entry);
  }

  function drawPlan(canCommand, taken) {
    if (taken && plans?.some(({ name }) => name === taken.name)) {
      choose.value = taken.name;
      cycles.value = String(taken.cycles);
    }
    for (const field of [choose, cycles]) setAttr(field, "disabled", Boolean(taken));
    const plan = chosen();
    if (!plan) return;
    const number = cyclesOf(cycles.value);
    setText(
      runs,
      Number.isNaN(number) ? "1 to 10000, a whole number" : `${number * plan.runs_per_cycle} runs, ${plan.hazard}`,
    );
    setAttr(arm, "class", `act -${plan.hazard}`);
    setAttr(arm, "disabled", !canCommand || Number.isNaN(number));
    syncList(
      cautions,
      plan.cautions,
      (text) => text,
      (text) => h("li", { class: "sheet-caution", text }),
      () => {},
    );
    syncList(
      lines,
      plan.lines.map((text, i) => ({ text, i })),
      ({ text, i }) => `${plan.name} ${i} ${text}`,
      ({ text }) => h("li", { text }),
      () => {},
    );
  }

  // A hold begun for one plan must not confirm another: the control is let go whenever the plan under it changes.
  function drawHold(visible, trial, rx) {
    const id = visible ? trial.id : null;
    const same = id === ready;
    ready = id;
    hold.show(
      visible,
      visible && same ? confirmWindow(trial, rx) : "late",
      visible ? `${trial.plan.title}, ${trial.plan.cycles} cycles` : "",
    );
  }

  function drawProgress(trial) {
    const progress = trial?.progress;
    setHidden(bar, trial?.state !== "running" || !progress);
    if (!progress) return;
    setAttr(bar, "max", progress.runs);
    setAttr(bar, "value", progress.passed + progress.failed);
  }

  return { update };
}
