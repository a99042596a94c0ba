// The newest command in one line beside the places, so that an act is answered wherever it was done.

import { commandSentence } from "../desk/command_log.js";
import { h, setAttr, setHidden, setText, setTone } from "../kit/dom.js";
import { COMMAND_STATES } from "../session/messages.js";

const SHOWN_S = 10;

/** The command to speak of: the newest one that still runs, is young, or whose outcome is unknown; else undefined. */
export function worthSaying(commands, rx) {
  return commands.find((command) => {
    const known = COMMAND_STATES[command.state];
    return !known?.final || command.state === "unknown" || rx - command.entry.rx < SHOWN_S;
  });
}

export function LastCommand(el) {
  const title = h("b");
  const words = h("span");
  el.append(title, words);
  setAttr(el, "data-testid", "last-command");
  return {
    update(view) {
      const command = worthSaying(view.asked(), view.cursor.rx);
      setHidden(el, !command);
      if (!command) return;
      setText(title, command.title + (command.args_text ? `, ${command.args_text}` : ""));
      setText(words, commandSentence(command, view.cursor.rx, false));
      setTone(el, COMMAND_STATES[command.state]?.tone ?? "none");
    },
  };
}
