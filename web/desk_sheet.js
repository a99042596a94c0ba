// The desk sheet: one command with arguments, interlocks and the two separate acts. It stays open in every place and
// never covers the status line. The rules are the table in desk_flow.js; this file draws it.

import { choices, complaint, label, shownRange, toSi } from "./arguments.js";
import { confirmWindow, Hold, nextState } from "./desk_flow.js";
import { fixed, unitText } from "./format.js";
import { h, setAttr, setHidden, setText, setTone, syncList } from "./dom.js";
import { family } from "./roles.js";
import { COMMAND_STATES } from "./messages.js";

const CHECK_MS = 500;

/**
 * @param {Element} el
 * @param {{ask: (message: object) => Promise<object>, changed: () => void}} acts
 * @param {{StepRow: Function, commandSentence: Function}} parts shared with the command log
 */
export function DeskSheet(el, acts, { StepRow, commandSentence }) {
  let state = "closed";
  let command = null;
  let fields = [];
  let check = null;
  let arm = null;
  let id = null;
  let said = "";
  let lastCheck = -Infinity;
  let opened = 0;
  let focusNext = false;

  const title = h("h2", { class: "sheet-title", tabindex: "-1" });
  const does = h("p", { class: "sheet-does" });
  const caution = h("p", { class: "sheet-caution" });
  const form = h("div", { class: "sheet-fields" });
  const locks = h("ul", { class: "interlocks", "aria-label": "Conditions" });
  const armButton = h("button", { type: "button", class: "act -hazardous", testid: "desk-arm", on: { click: askArm } });
  const sendButton = h("button", { type: "button", class: "act", testid: "desk-send", text: "Send", on: { click: askSend } });
  const confirm = HoldButton(askConfirm);
  const count = h("p", { class: "countdown", testid: "desk-countdown" });
  const cancel = h("button", { type: "button", class: "act", testid: "desk-cancel", on: { click: askCancel } });
  const message = h("p", { class: "sheet-said", role: "status", testid: "desk-said" });
  const steps = StepRow();
  const follow = h("div", { class: "sheet-follow" }, steps.el);
  el.append(h("div", { class: "sheet-head" }, title, cancel), does, caution, form, locks, h("div", { class: "sheet-acts" }, armButton, sendButton, confirm.el, count), message, follow);
  setAttr(el, "role", "region");

  function go(event) {
    state = nextState(state, event);
    acts.changed();
  }

  function values() {
    return Object.fromEntries(fields.map(({ arg, input }) => [arg.name, toSi(arg, input.value)]));
  }

  function problem() {
    const given = values();
    return command.args.map((arg) => complaint(arg, given[arg.name])).find(Boolean) ?? "";
  }

  async function askArm() {
    said = problem();
    if (said) return acts.changed();
    const mine = ++opened;
    go("ask_arm");
    const reply = await acts.ask({ type: "arm", command: command.name, args: values() });
    if (mine !== opened) return;
    said = reply.ok ? "" : reply.sentence;
    if (reply.ok) { arm = reply; id = reply.id; }
    go(reply.ok ? "armed" : "refused");
    focusNext = reply.ok;
  }

  async function askSend() {
    said = problem();
    if (said) return acts.changed();
    const mine = ++opened;
    go("ask_send");
    const reply = await acts.ask({ type: "send", command: command.name, args: values() });
    if (mine !== opened) return;
    said = reply.ok ? "" : reply.sentence;
    id = reply.id ?? null;
    go(reply.ok ? "done" : "refused");
  }

  async function askConfirm() {
    const mine = opened;
    go("ask_confirm");
    const reply = await acts.ask({ type: "confirm", id, command: command.name, args: values() });
    if (mine !== opened) return;
    said = reply.ok ? "" : reply.sentence;
    // A reply that never came may hide a command that went out: its steps are shown, never "nothing happened".
    go(reply.ok || reply.late ? "done" : "refused");
  }

  function askCancel() {
    if (state === "armed") {
      acts.ask({ type: "cancel", id });
      said = "Cancelled before anything was sent.";
      go("cancel");
    } else {
      opened++;
      state = "closed";
      acts.changed();
    }
  }

  function open(view, name, preset) {
    const leaving = state === "armed" ? id : null;
    if (state === "confirming") return;
    if (leaving !== null) acts.ask({ type: "cancel", id: leaving });
    command = view.store.dictionary.commands.find((one) => one.name === name);
    state = "open";
    opened++;
    [check, arm, id, said, lastCheck] = [null, null, null, "", -Infinity];
    fields = command.args.map((arg) => Field(arg, preset[arg.name], fittedFor(view, arg)));
    form.replaceChildren(...fields.map((field) => field.el));
    setText(title, command.title);
    setText(does, command.does);
    setText(caution, command.caution ?? "");
    setHidden(caution, !command.caution);
    setText(armButton, `1  Arm: ${command.title}`);
    setAttr(el, "aria-label", `Command: ${command.title}`);
    acts.changed();
    title.focus();
  }

  function poll(now) {
    if (state === "closed" || state === "following" || !command.interlocks?.length || now - lastCheck < CHECK_MS) return;
    if (problem()) return;
    lastCheck = now;
    const mine = opened;
    acts.ask({ type: "check", command: command.name, args: values() }).then((reply) => {
      if (mine === opened && reply.interlocks) { check = reply; acts.changed(); }
    });
  }

  function update(view) {
    setHidden(el, state === "closed");
    if (state === "closed") return;
    poll(performance.now());
    const routine = command.hazard === "routine";
    const mine = id === null ? undefined : view.commands().find((one) => one.id === id);
    if (state === "armed") watchArm(view, mine);
    const locked = command.interlocks?.length > 0 && !check?.ready;
    setHidden(armButton, routine || !["open", "arming"].includes(state));
    setAttr(armButton, "disabled", state !== "open" || locked || !view.page.canCommand);
    setHidden(sendButton, !routine || !["open", "sending"].includes(state));
    setAttr(sendButton, "disabled", state !== "open" || !view.page.canCommand);
    confirm.show(state === "armed" || state === "confirming", state === "armed" ? confirmWindow(arm, view.cursor.rx) : "late", command.title);
    // A hidden control cannot take the focus, so the second act gets it once it is shown.
    if (focusNext && state === "armed") { focusNext = false; confirm.el.focus(); }
    setText(cancel, state === "armed" ? "Cancel" : "Close");
    setAttr(cancel, "disabled", state === "confirming");
    for (const field of fields) setAttr(field.input, "disabled", state !== "open");
    drawLocks(view);
    setText(count, state === "armed" ? countdown(arm, view.cursor.rx) : "");
    setText(message, said || (state !== "open" ? "" : view.page.canCommand ? problem() : "Command authority is not yours."));
    setHidden(follow, !mine);
    if (mine) {
      steps.update(mine);
    }
    if (mine && ["following", "confirming"].includes(state)) {
      setText(message, said ? `${said} ${commandSentence(mine)}` : commandSentence(mine));
      setTone(message, COMMAND_STATES[mine.state]?.tone ?? "none");
    } else setTone(message, said ? "caution" : "none");
  }

  // The station may disarm by itself: link lost, authority taken, vehicle restarted. The page follows and says why.
  function watchArm(view, mine) {
    if (mine && mine.state !== "armed") { said = ""; go("ended"); return; }
    if (confirmWindow(arm, view.cursor.rx) === "late") { said = "Time ran out: disarmed, nothing was sent."; go("expired"); }
  }

  function drawLocks(view) {
    const known = new Map((check?.interlocks ?? []).map((lock) => [lock.name, lock]));
    const list = state === "following" ? [] : (command.interlocks ?? []).map((lock) => ({ ...lock, ...known.get(lock.name), asked: known.has(lock.name) }));
    syncList(locks, list, (lock) => `${command.name} ${lock.name}`, makeLock, (node, lock) => {
      const word = !lock.asked ? "checking" : lock.met ? "met" : "NOT met";
      setText(node.children[0], { checking: "\u2026", met: "\u2713", "NOT met": "\u2715" }[word]);
      setText(node.children[1], lock.title);
      setText(node.children[2], `${word}${lock.value_text ? ` \u2014 ${tidyText(lock.value_text)}` : ""}`);
      setTone(node, word === "NOT met" ? "warning" : "none");
    });
  }

  return { open, update, get state() { return state; } };
}

// The station writes measured values in full; a person needs no more than three decimals.
function tidyText(text) {
  const number = Number(text);
  return String(text).trim() !== "" && Number.isFinite(number) && !Number.isInteger(number) ? fixed(number, 3) : text;
}

function makeLock() {
  return h("li", { class: "interlock" }, h("span", { class: "lock-mark", "aria-hidden": "true" }), h("span", { class: "lock-title" }), h("span", { class: "lock-value" }));
}

function countdown(arm, rx) {
  if (confirmWindow(arm, rx) === "early") return `Hold opens in ${fixed(arm.earliest_confirm_rx - rx, 1)} s`;
  return `${fixed(Math.max(0, arm.expires_rx - rx), 1)} s left, then it disarms by itself`;
}

function fittedFor(view, arg) {
  return family(view.store.roles, arg.name);
}

function Field(arg, preset, fitted) {
  const options = choices(arg, fitted);
  const unit = unitText(arg.display_unit || arg.unit);
  const [low, high] = shownRange(arg);
  const input = options
    ? h("select", { testid: `arg-${arg.name}` }, ...options.map(({ value, text }) => h("option", { value: String(value), text })))
    : h("input", { type: "number", step: "any", min: low, max: high, value: "0", testid: `arg-${arg.name}` });
  if (preset !== undefined) input.value = String(preset);
  const hint = options ? "" : (unit === "\u00b0" ? `${low}\u00b0 to ${high}\u00b0` : `${low} to ${high} ${unit}`).replaceAll("-", "\u2212");
  const el = h("label", { class: "field" }, h("span", { class: "field-name", text: label(arg) }), input, h("span", { class: "field-hint", text: hint }));
  return { arg, input, el };
}

// Press and hold for one second: mouse, touch, or Enter or Space held. Letting go at any time starts over.
function HoldButton(done) {
  const hold = new Hold();
  const bar = h("span", { class: "hold-bar" });
  const word = h("span", { class: "hold-word", text: "2  Hold to confirm" });
  const el = h("button", { type: "button", class: "hold", testid: "desk-confirm" }, bar, word);
  let able = false;

  function press(event) {
    if (!able || event.repeat) return;
    hold.press(performance.now());
    requestAnimationFrame(turn);
  }
  function release() {
    hold.release();
    bar.style.transform = "scaleX(0)";
  }
  function turn() {
    const share = hold.progress(performance.now());
    bar.style.transform = `scaleX(${share})`;
    if (hold.since === null) return;
    if (share < 1) { requestAnimationFrame(turn); return; }
    release();
    if (able) { able = false; done(); }
  }
  const isKey = (event) => event.key === "Enter" || event.key === " ";
  el.addEventListener("pointerdown", (event) => { if (event.button === 0) { el.setPointerCapture(event.pointerId); press(event); } });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture", "blur"]) el.addEventListener(name, release);
  el.addEventListener("keydown", (event) => { if (isKey(event)) { event.preventDefault(); press(event); } });
  el.addEventListener("keyup", (event) => { if (isKey(event)) { event.preventDefault(); release(); } });
  el.addEventListener("contextmenu", (event) => event.preventDefault());

  return {
    el,
    show(visible, gate, title) {
      setHidden(el, !visible);
      able = visible && gate === "open";
      if (!able) release();
      // aria-disabled, not disabled: the control keeps the keyboard's focus while its window is about to open.
      setAttr(el, "aria-disabled", able ? null : "true");
      setAttr(el, "aria-label", `Hold for one second to confirm: ${title}`);
    },
  };
}
