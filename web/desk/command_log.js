// Recent commands and their steps, one by one as they happen. "Outcome unknown" looks dangerous, never cancelled.

import { h, setAttr, setHidden, setText, setTone, syncList } from "../kit/dom.js";
import { age } from "../kit/format.js";
import { COMMAND_STATES, STEP_WORDS, STEPS } from "../session/messages.js";

const SHOWN = 8;

/** Steps of one command as a row of marks; used here and in the desk. */
export function StepRow() {
  const marks = STEPS.map((step) => h("li", { class: "step", text: STEP_WORDS[step] ?? step }));
  return {
    el: h("ol", { class: "steps", "aria-label": "Steps" }, ...marks),
    update(command) {
      const done = new Map((command.steps ?? []).map(({ step, rx }) => [step, rx]));
      marks.forEach((mark, i) => {
        const step = STEPS[i];
        setHidden(mark, !done.has(step));
        const state =
          done.get(step) !== null && done.get(step) !== undefined
            ? "done"
            : command.missing === step && COMMAND_STATES[command.state]?.final
              ? "missing"
              : "open";
        setAttr(mark, "data-step", state);
        setAttr(
          mark,
          "aria-label",
          `${mark.textContent}: ${{ done: "yes", missing: "missing", open: "not yet" }[state]}`,
        );
      });
    },
  };
}

/**
 * Which step a command waits for and since when (station seconds): since its last step; undefined when it waits for
 * none.
 */
export function missingStep(command) {
  if (!command.missing) return undefined;
  const done = (command.steps ?? []).map(({ rx }) => rx).filter(Number.isFinite);
  return { word: STEP_WORDS[command.missing] ?? command.missing, since: done.length ? Math.max(...done) : undefined };
}

/** One sentence about where a command stands at station second `rx`; `when` adds how long ago that became so. */
export function commandSentence(command, rx, when = true) {
  const parts = [command.state_text || command.state];
  const missing = missingStep(command);
  if (missing && command.state !== "armed")
    parts.push(
      missing.since === undefined
        ? `${missing.word} missing`
        : `${missing.word} missing for ${age(rx - missing.since)}`,
    );
  const tried = command.state_text?.startsWith("not confirmed") ? "tried" : "sent";
  if (command.sends > 1) parts.push(`${tried} ${command.sends} times`);
  if (when) parts.push(`${age(rx - command.entry.rx)} ago`);
  return parts.join(" \u00b7 ");
}

export function CommandLog(el) {
  const list = h("ol", { class: "commands", "aria-label": "Recent commands, newest first", testid: "commands" });
  const none = h("p", { class: "absent", text: "No command in this session yet." });
  el.append(list, none);
  return {
    update(view) {
      const commands = view.asked().slice(0, SHOWN);
      setHidden(none, commands.length > 0);
      syncList(
        list,
        commands,
        (command) => `${view.store.session} ${command.id}`,
        make,
        (node, command) => {
          const { parts } = node;
          setText(parts.title, command.title + (command.args_text ? `, ${command.args_text}` : ""));
          setText(parts.sentence, commandSentence(command, view.cursor.rx));
          setTone(node, COMMAND_STATES[command.state]?.tone ?? "none");
          setAttr(node, "data-state", command.state);
          parts.steps.update(command);
        },
      );
    },
  };
}

function make() {
  const parts = {
    title: h("span", { class: "command-title" }),
    sentence: h("span", { class: "command-sentence" }),
    steps: StepRow(),
  };
  const node = h("li", { class: "command" }, parts.title, parts.sentence, parts.steps.el);
  node.parts = parts;
  return node;
}
