// Bench trials: choose a written plan, get it ready, hold to confirm, watch it cycle by cycle, read the result. What a
// trial is doing stands in the journal (topic "trial"), so a replay shows it as it was. The result is drawn in
// trial_result.js.

import { confirmWindow, countdown } from "../../kit/confirm_window.js";
import { h, setAttr, setHidden, setText, setTone } from "../../kit/dom.js";
import { HoldButton } from "../../kit/hold_button.js";
import { TrialForm } from "./trial_form.js";
import { endedHere, TrialHistory } from "./trial_history.js";
import { TrialResult } from "./trial_result.js";
import { TrialTrack } from "./trial_track_view.js";
import { countOf, newestTrial, trialSentence, trialTone } from "./trial_words.js";

const NO_DESK = "Trials need the operator's link, which the station prints in its terminal.";

export function TrialPanel(el, acts) {
  const button = (testid, text, click, look) =>
    h("button", { type: "button", class: look, testid, text, on: { click } });
  const ask = (act, more) => acts.desk({ type: "trial", act, ...more });
  const form = new TrialForm(acts.changed);
  const arm = button("trial-arm", "1  Get the plan ready", () => ask("arm", form.chosen()), "act");
  const cancel = button("trial-cancel", "Take back", () => ask("cancel"), "act");
  const stop = button("trial-stop", "Stop and make safe", () => ask("stop"), "act trial-stop");
  const hold = SecondAct((id) => ask("confirm", { id }));
  const why = h("p", { class: "absent", testid: "trial-why" });
  const said = h("p", { class: "trial-said", testid: "trial-said", role: "status" });
  const track = TrialTrack();
  const history = TrialHistory();
  const result = TrialResult();
  const row = h("div", { class: "trial-acts" }, arm, hold.el, hold.count, cancel, stop);
  el.append(why, form.el, row, said, track.el, result.el, history.el);

  function drawActs(live, trial, able, rx) {
    const state = trial?.state;
    setHidden(arm, form.el.hidden || state === "armed" || state === "running");
    hold.update(able && state === "armed", live && state === "armed", trial, rx);
    setHidden(cancel, !able || state !== "armed");
    setHidden(stop, !able || state !== "running");
  }

  function drawTrial(trial, live) {
    setText(said, trial ? trialSentence(trial) : live ? "" : "No trial in this session up to here.");
    setTone(said, trial ? trialTone(trial) : "none");
    setAttr(said, "data-state", trial?.state);
    track.update(trial?.state === "running" ? trial.progress : undefined);
    result.update(trial?.result, trial?.entry);
  }

  return {
    update(view) {
      const { replay, mode, desk, canCommand, trials } = view.page;
      const live = !replay && mode !== "replay";
      if (live && !trials.asked) acts.listTrials();
      setText(why, live ? trials.problem || (desk ? "" : NO_DESK) : "A replay shows trials; it runs none.");
      setHidden(why, why.textContent === "");
      const trial = newestTrial(view);
      const taken = trial && ["armed", "running"].includes(trial.state) ? trial.plan : undefined;
      // The form stays while a plan is armed or runs: the cautions are read before the second act, and nothing moves.
      setHidden(form.el, !live || !desk || !trials.plans?.length);
      const plan = form.update(trials.plans, taken);
      if (plan) setAttr(arm, "class", `act -${plan.hazard}`);
      setAttr(arm, "disabled", !canCommand || !form.chosen());
      drawActs(live, trial, live && Boolean(desk?.open), view.cursor.rx);
      drawTrial(trial, live);
      const shown = live ? plan?.name : trial?.plan.name;
      history.update(shown, [...endedHere(view.states("trial")), ...trials.past]);
    },
  };
}

/** The hold, and beside it how long it is possible. */
function SecondAct(confirmed) {
  let ready = null;
  const hold = HoldButton(() => confirmed(ready));
  setAttr(hold.el, "data-testid", "trial-confirm");
  const count = h("p", { class: "countdown", testid: "trial-countdown" });
  return {
    el: hold.el,
    count,
    update(able, counting, trial, rx) {
      // A hold begun for one plan must not confirm another: it is let go whenever the plan under it changes.
      const id = able ? trial.id : null;
      const same = id === ready;
      ready = id;
      const gate = able && same ? confirmWindow(trial, rx) : "late";
      hold.show(able, gate, able ? `${trial.plan.title}, ${countOf(trial.plan.cycles, "cycle")}` : "");
      const by = counting ? `${countOf(trial.plan.cycles, "cycle")}, got ready by ${trial.operator} \u00b7 ` : "";
      setText(count, counting ? by + countdown(trial, rx) : "");
    },
  };
}
