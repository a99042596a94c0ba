// A calibration step by step: choose what, say the unit's serial, and do what it says. Where it stands is in the
// journal (topic "calibration"), so a replay shows it as it was; the station recognizes each step by itself.

import { h, setAttr, setHidden, setText, setTone, syncList } from "../../kit/dom.js";
import { CAUTION, calibrationAt, calibrationSentence, heightsOf, KINDS, resultRows, WORDS } from "./calibrate_words.js";

const NO_DESK = "A calibration needs the operator's link, which the station prints in its terminal.";
const NONE = "No calibration in this session up to here.";
const BEGIN = "Begin to calibrate";

export function CalibratePanel(el, acts) {
  const form = CalibrationForm(() => acts.changed());
  const ask = (request) => acts.desk({ type: "calibrate", ...request });
  const begin = h("button", {
    type: "button",
    class: "act",
    testid: "calibrate-begin",
    text: BEGIN,
    on: { click: () => ask({ act: "begin", ...form.chosen() }) },
  });
  const stop = h("button", {
    type: "button",
    class: "act",
    testid: "calibrate-stop",
    text: "Stop",
    on: { click: () => ask({ act: "stop" }) },
  });
  const why = h("p", { class: "absent", testid: "calibrate-why" });
  const said = h("p", { class: "trial-said", testid: "calibrate-said" });
  const step = CalibrationStep();
  const result = CalibrationResult();
  const caution = h("p", { class: "sheet-caution", text: CAUTION });
  const row = h("div", { class: "trial-acts" }, begin, stop);
  el.append(why, caution, form.el, row, said, step.el, result.el);

  function drawForm(able, runs) {
    for (const node of [form.el, begin]) setHidden(node, !able || runs);
    setHidden(caution, !able);
    setHidden(stop, !able || !runs);
    setAttr(begin, "disabled", !form.chosen());
    form.update();
  }

  return {
    update(view) {
      const { replay, mode, desk } = view.page;
      const live = !replay && mode !== "replay";
      const now = calibrationAt(view);
      const state = now?.state;
      setText(why, live ? (desk ? "" : NO_DESK) : now ? "" : NONE);
      setHidden(why, why.textContent === "");
      drawForm(live && Boolean(desk?.open), state === "running");
      setText(said, now ? calibrationSentence(now) : "");
      setTone(said, WORDS[state]?.tone ?? "none");
      setAttr(said, "data-state", state);
      step.update(state === "running" ? now : undefined);
      result.update(state === "done" ? now.result : undefined);
    },
  };
}

/** What, of which unit, with which serial. */
function CalibrationForm(changed) {
  const field = (title, input) =>
    h("label", { class: "field" }, h("span", { class: "field-name", text: title }), input);
  const option = ([value, text]) => h("option", { value, text });
  const on = { input: changed, change: changed };
  const what = h("select", { testid: "calibrate-what", on }, ...KINDS.map(option));
  const units = [
    ["a", "a"],
    ["b", "b"],
  ];
  const unit = h("select", { testid: "calibrate-unit", on }, ...units.map(option));
  const typed = { type: "text", maxlength: "40", autocomplete: "off", spellcheck: "false", on };
  const serial = h("input", { ...typed, testid: "calibrate-serial", placeholder: "SN-12" });
  const heights = h("input", { ...typed, maxlength: "200", testid: "calibrate-heights", placeholder: "0, 3, 6, 3, 0" });
  const unitField = field("Unit", unit);
  const heightsField = field("Heights, m, in the order of going", heights);
  const fields = [field("What", what), unitField, field("Serial of the board", serial), heightsField];
  const isOfUnit = () => KINDS.some(([key, , ofUnit]) => key === what.value && ofUnit);
  return {
    el: h("div", { class: "trial-form calibrate-form" }, h("div", { class: "sheet-fields" }, ...fields)),
    chosen() {
      const asked = { what: what.value, unit: unit.value, serial: serial.value.trim() };
      if (what.value !== "barometer") return asked;
      const told = heightsOf(heights.value);
      return told && { ...asked, heights: told };
    },
    update() {
      setHidden(unitField, !isOfUnit());
      setHidden(heightsField, what.value !== "barometer");
    },
  };
}

/** What to do now, how far it is, and what was seen. */
function CalibrationStep() {
  const bar = h("progress", { max: "1", value: "0", "aria-label": "How much is there" });
  const words = h("p", { class: "calibrate-do", testid: "calibrate-do", role: "status" });
  const seen = h("ol", { class: "calibrate-seen", testid: "calibrate-seen" });
  const el = h("div", { class: "calibrate-step" }, words, bar, seen);
  return {
    el,
    update(now) {
      setHidden(el, !now);
      if (!now) return;
      setText(words, now.do || "Listening\u2026");
      setAttr(bar, "value", String(now.share ?? 0));
      syncList(
        seen,
        now.seen ?? [],
        (line) => line,
        (line) => h("li", { text: line }),
        () => {},
      );
    },
  };
}

/** The numbers with their sigmas, and the two files. */
function CalibrationResult() {
  const body = h("tbody");
  const head = h("tr", {}, ...["", "value", "sigma", "unit"].map((text) => h("th", { scope: "col", text })));
  const table = h("table", { class: "calibrate-table", testid: "calibrate-result" }, h("thead", {}, head), body);
  const notes = h("p", { class: "absent" });
  const toml = SaveButton("Save for the sheet (TOML)", "calibration.toml", "calibrate-toml");
  const header = SaveButton("Save for the firmware (C)", "calibration.h", "calibrate-header");
  const el = h("div", {}, table, notes, h("div", { class: "calibrate-files" }, toml.el, header.el));
  return {
    el,
    update(result) {
      setHidden(el, !result);
      if (!result) return;
      syncList(
        body,
        resultRows(result),
        (row) => JSON.stringify(row),
        ({ name, value, sigma, unit }) => h("tr", {}, ...[name, value, sigma, unit].map((text) => h("td", { text }))),
        () => {},
      );
      setText(notes, (result.said ?? []).join(" "));
      setHidden(notes, notes.textContent === "");
      toml.text = result.toml;
      header.text = result.header;
    },
  };
}

function SaveButton(title, name, testid) {
  const save = { el: undefined, text: "" };
  const click = () => {
    const href = URL.createObjectURL(new Blob([save.text], { type: "text/plain" }));
    h("a", { href, download: name }).click();
    setTimeout(() => URL.revokeObjectURL(href), 1000);
  };
  save.el = h("button", { type: "button", class: "act", testid, text: title, on: { click } });
  return save;
}
