// Every command of the dictionary by hazard.

import { builder, h, setAttr, setClass, setHidden, setText, setTone } from "../kit/dom.js";
import { leave, whyNot } from "./authority.js";

const CLASSES = [
  ["routine", "Routine", "one act"],
  ["guarded", "Guarded", "get ready, then hold"],
  ["hazardous", "Hazardous", "get ready with every condition met, then hold"],
];

const ALLOWED =
  "Commands to this vehicle are bound to no vehicle, dictionary or time; routine ones are allowed for this session.";

/** Does a command answer to what is searched for: every word of it somewhere in title, name or what it does. */
export function answers(command, words) {
  const told = `${command.title} ${command.name.replaceAll("_", " ")} ${command.does} ${command.hazard}`.toLowerCase();
  return words
    .toLowerCase()
    .split(/\s+/)
    .every((word) => told.includes(word));
}

/** Every command of the dictionary by hazard, with a search. */
export function CommandList(el, acts) {
  const once = builder();
  const groups = h("div", { class: "command-groups" });
  const why = h("p", { class: "absent" });
  const note = h("p", { class: "commands-note", testid: "commands-note" });
  const asked = h("p", { class: "commands-note", testid: "commands-unbound" });
  const allow = h("button", {
    type: "button",
    class: "act",
    testid: "commands-allow",
    text: "Allow routine commands for this session",
    on: { click: () => acts.desk({ type: "allow_unbound" }) },
  });
  const search = h("input", {
    type: "search",
    class: "command-search",
    placeholder: "Search the commands",
    "aria-label": "Search the commands",
    autocomplete: "off",
    testid: "commands-search",
    on: { input: () => pick() },
  });
  const nothing = h("p", { class: "absent", text: "No command answers to that.", hidden: true });
  el.append(note, asked, allow, why, search, nothing, groups);
  let buttons = [];
  let commands = [];

  function pick() {
    const fits = commands.map((command) => answers(command, search.value.trim()));
    for (const [i, button] of buttons.entries()) setHidden(button, !fits[i]);
    for (const [i, [hazard]] of CLASSES.entries()) {
      setHidden(groups.children[i], !commands.some((command, at) => command.hazard === hazard && fits[at]));
    }
    setHidden(nothing, fits.some(Boolean) || !commands.length);
  }

  let allowed; // the session in which a person was asked

  function build(view) {
    commands = view.store.dictionary.commands.filter((command) => !command.safes_all);
    buttons = commands.map((command) =>
      h("button", {
        type: "button",
        class: `act -${command.hazard}`,
        testid: `command-${command.name}`,
        title: command.does,
        text: command.title + (command.hazard === "routine" && command.args.length === 0 ? "" : "\u2026"),
        on: { click: () => acts.begin(command.name, {}) },
      }),
    );
    groups.replaceChildren(
      ...CLASSES.map(([hazard, title, how]) => {
        const made = buttons.filter((_, i) => commands[i].hazard === hazard);
        return h(
          "div",
          { class: "command-group" },
          h("p", { class: "group-title" }, h("b", { text: title }), ` \u2014 ${how}`),
          h("div", { class: "command-buttons" }, ...made),
        );
      }),
    );
    pick();
  }

  return {
    update(view) {
      once(view.store, () => build(view));
      setText(note, view.store.dictionary.commands_note ?? "");
      setTone(note, "caution");
      setHidden(note, !view.store.dictionary.commands_note);
      const { desk, replay, canCommand } = view.page;
      const none = view.store.dictionary.commands.length === 0;
      const ask = none ? "" : leave(view.page);
      if (ask) allowed = view.store;
      // Once allowed, words and room stay: no other button may come under the hand that has just pressed this one.
      const was = !ask && allowed === view.store && Boolean(desk?.open) && !replay;
      setText(asked, was ? ALLOWED : ask);
      setTone(asked, "caution");
      setHidden(asked, !ask && !was);
      setHidden(allow, (!ask && !was) || !canCommand);
      setClass(allow, "-done", was);
      setAttr(allow, "disabled", was);
      setText(why, none ? "No commands in this vehicle's dictionary." : whyNot(view.page));
      setHidden(why, canCommand && !none);
      setHidden(groups, !desk || Boolean(replay));
      setHidden(search, !desk || Boolean(replay) || none);
      for (const button of buttons) setAttr(button, "disabled", !canCommand);
    },
  };
}
