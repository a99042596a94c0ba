// The one button that makes everything safe. It says what it can do now, and what to do where it can do nothing.

import { setAttr, setText, setTone } from "../kit/dom.js";
import { safeAllInSilence } from "../kit/silence_words.js";
import { COMMAND_STATES, shortWords } from "../session/messages.js";
import { safeAllCommand } from "../session/roles.js";

const SHOWN_S = 15;
const BY_KEY = "Sent is not safe: pull the arming key on the ground, as the range safety officer decides.";

/**
 * Safe all always speaks to the live vehicle.
 * @param {import("../session/view.js").View|null} live the live session, also while a recording is shown
 * @param {object} page @returns {{able: boolean, note: string, tone: string, sentence: string}}
 */
export function safeAllNow(live, { desk, replay, mode }) {
  const command = live && safeAllCommand(live.store.dictionary);
  const able = Boolean(desk?.open && command);
  const off = (note) => ({ able, note, tone: "off", sentence: "" });
  if (mode === "replay") return off("not in a replay");
  if (!desk) return off("view only");
  const silence = live?.silence;
  if (silence?.who === "station") return { able, ...safeAllInSilence(silence, ""), tone: "gone" };
  if (!desk.open) return off("desk not connected");
  if (!command) return off("not in dictionary");
  const outcome = outcomeOf(live, command, silence);
  if (silence) return { able, tone: "ready", ...safeAllInSilence(silence, command.blind), ...outcome };
  return { able, note: replay ? "reaches the live vehicle" : "Shift + Esc", tone: "ready", sentence: "", ...outcome };
}

// Only while nothing else was asked for since: what came later may have undone it.
function outcomeOf(live, command, silence) {
  const [latest] = live.asked();
  if (latest?.command !== command.name || live.cursor.rx - latest.entry.rx >= SHOWN_S) return {};
  const note = stateWords(latest, silence);
  const said = { note, tone: COMMAND_STATES[latest.state]?.tone ?? "busy" };
  return silence ? said : { ...said, sentence: `${note}. ${BY_KEY}` };
}

function stateWords({ state, state_text, sends }, silence) {
  if (silence && state === "sent") return `sent blind ${sends > 1 ? `${sends} times` : "once"}, not confirmed`;
  return state === "verified" ? "verified safe, now the key" : shortWords(state_text ?? state);
}

/** Write it on the button. */
export function showSafeAll(button, noteNode, live, page) {
  const { able, note, tone, sentence } = safeAllNow(live, page);
  setAttr(button, "disabled", !able);
  setText(noteNode, note);
  setTone(button, tone);
  setAttr(button, "title", sentence || null);
  setAttr(
    button,
    "aria-label",
    sentence && !sentence.startsWith(note) ? `Safe all ${note}: ${sentence}` : `Safe all ${sentence || note}`,
  );
}
