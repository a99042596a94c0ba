// The command desk: who holds authority, every command of the dictionary by hazard, and marks in the recording.

import { builder, h, setAttr, setHidden, setText, setTone } from "./dom.js";

const CLASSES = [
  ["routine", "Routine", "one act"],
  ["guarded", "Guarded", "act, then hold to confirm"],
  ["hazardous", "Hazardous", "arm, then hold to confirm"],
];

/** Why commands cannot be given now, as a sentence; "" when they can. */
export function whyNot({ replay, mode, desk }) {
  if (replay || mode === "replay") return "This is a replay: nothing can be transmitted.";
  if (!desk) return "View only. Commands need the operator's link, which the station prints in its terminal.";
  if (!desk.open) return desk.sentence;
  if (desk.yours) return "";
  return desk.holder ? `${desk.holder} holds command authority.` : "Nobody holds command authority. Take it to give commands.";
}

/** Who holds command authority, and the acts to take or release it. */
export function AuthorityPanel(el, acts) {
  const word = h("p", { class: "authority-word", testid: "desk-authority" });
  const take = h("button", { type: "button", class: "act", testid: "desk-take", on: { click: () => acts.desk({ type: "take" }) } });
  const release = h("button", { type: "button", class: "act", testid: "desk-release", text: "Give up", "aria-label": "Give up command authority", on: { click: () => acts.desk({ type: "release" }) } });
  el.append(h("div", { class: "authority" }, word, take, release));
  return {
    update(view) {
      const { desk, replay } = view.page;
      const reason = whyNot(view.page);
      setText(word, reason || `You hold command authority as ${desk.operator}.`);
      setTone(word, reason && desk ? "caution" : "none");
      setHidden(take, !desk?.open || desk.yours || Boolean(replay));
      setHidden(release, !desk?.open || !desk.yours || Boolean(replay));
      setText(take, desk?.holder ? `Take over from ${desk.holder}` : "Take authority");
    },
  };
}

/** Every command of the dictionary by hazard. */
export function CommandList(el, acts) {
  const once = builder();
  const groups = h("div", { class: "command-groups" });
  const why = h("p", { class: "absent" });
  el.append(why, groups);
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
