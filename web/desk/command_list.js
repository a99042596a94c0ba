// The command desk: every command of the dictionary by hazard, and marks in the recording.

import { whyNot } from "./authority.js";
import { builder, h, setAttr, setHidden, setText, setTone } from "../kit/dom.js";

const CLASSES = [
  ["routine", "Routine", "one act"],
  ["guarded", "Guarded", "get ready, then hold"],
  ["hazardous", "Hazardous", "get ready with every condition met, then hold"],
];

/** Every command of the dictionary by hazard. */
export function CommandList(el, acts) {
  const once = builder();
  const groups = h("div", { class: "command-groups" });
  const why = h("p", { class: "absent" });
  const note = h("p", { class: "commands-note", testid: "commands-note" });
  el.append(note, why, groups);
  let buttons = [];

  function build(view) {
    const commands = view.store.dictionary.commands.filter((command) => !command.safes_all);
    buttons = commands.map((command) => h("button", {
      type: "button", class: `act -${command.hazard}`, testid: `command-${command.name}`, title: command.does,
      text: command.title + (command.hazard === "routine" && command.args.length === 0 ? "" : "\u2026"), on: { click: () => acts.begin(command.name, {}) },
    }));
    groups.replaceChildren(...CLASSES.map(([hazard, title, how]) => {
      const made = buttons.filter((_, i) => commands[i].hazard === hazard);
      return h("div", { class: "command-group", hidden: made.length === 0 }, h("p", { class: "group-title" }, h("b", { text: title }), ` \u2014 ${how}`), h("div", { class: "command-buttons" }, ...made));
    }));
  }

  return {
    update(view) {
      once(view.store, () => build(view));
      setText(note, view.store.dictionary.commands_note ?? "");
      setTone(note, "caution");
      setHidden(note, !view.store.dictionary.commands_note);
      const { desk, replay, canCommand } = view.page;
      setText(why, whyNot(view.page));
      setHidden(why, canCommand);
      setHidden(groups, !desk || Boolean(replay));
      for (const button of buttons) setAttr(button, "disabled", !canCommand);
    },
  };
}

/** A mark in the recording: a few words and the time, for "wind picked up" or "key in". */
export function MarkPanel(el, acts) {
  const input = h("input", { type: "text", maxlength: "120", placeholder: "What happened?", "aria-label": "Text of the mark", testid: "mark-text" });
  const button = h("button", { type: "submit", class: "act", text: "Set mark", testid: "mark-set" });
  const form = h("form", { class: "mark-form", on: { submit: (event) => {
    event.preventDefault();
    acts.mark(input.value.trim() || "Mark");
    input.value = "";
  } } }, input, button);
  const why = h("p", { class: "absent", text: "Marks are set by the operator while the session is live." });
  el.append(form, why);
  return {
    update(view) {
      const able = Boolean(view.page.desk?.open) && !view.page.replay;
      setHidden(form, !able);
      setHidden(why, able);
    },
  };
}
