// The desk sheet: one command with arguments, interlocks and the two separate acts. It stays open in every place, in
// the
// command dock. What it knows is in sheet_store.js; this file draws it and hands on what a person does.

import { confirmWindow, countdown } from "../kit/confirm_window.js";
import { h, setAttr, setHidden, setText, setTone } from "../kit/dom.js";
import { HoldButton } from "../kit/hold_button.js";
import { COMMAND_STATES } from "../session/messages.js";
import { family } from "../session/roles.js";
import { ArgumentField } from "./argument_field.js";
import { choices, complaint, toSi } from "./arguments.js";
import { commandSentence, StepRow } from "./command_log.js";
import { invitation } from "./desk_flow.js";
import { InterlockList, lockLines } from "./interlock_list.js";
import { byHand, makesTrue, offered, presentChoice, spoken } from "./makes_true.js";
import { SheetStore } from "./sheet_store.js";

/** The sheet's elements, put into `el` once; `on` holds what a person can do. */
function build(el, on) {
  const button = (testid, click, look = "act") => h("button", { type: "button", class: look, testid, on: { click } });
  const parts = {
    title: h("h2", { class: "sheet-title", tabindex: "-1", testid: "desk-title" }),
    from: h("p", { class: "sheet-from", testid: "desk-from" }),
    does: h("p", { class: "sheet-does" }),
    caution: h("p", { class: "sheet-caution" }),
    form: h("div", { class: "sheet-fields" }),
    locks: InterlockList(on.instead),
    back: button("desk-back", on.back),
    steps: StepRow(),
    message: h("p", { class: "sheet-said", role: "status", testid: "desk-said" }),
    ready: button("desk-arm", on.ready, "act -hazardous"),
    send: button("desk-send", on.send),
    confirm: HoldButton(on.confirm),
    count: h("p", { class: "countdown", testid: "desk-countdown" }),
    cancel: button("desk-cancel", on.drop),
  };
  const { title, cancel, from, does, caution, form, locks, message, ready, send, confirm, count, back } = parts;
  parts.follow = h("div", { class: "sheet-follow" }, parts.steps.el);
  const body = { class: "sheet-body", tabindex: "0", role: "group", "aria-label": "What it does and its conditions" };
  el.append(
    h("div", { class: "sheet-head" }, title, cancel),
    h("div", body, from, does, caution, form, locks.el, parts.follow),
    h("div", { class: "sheet-acts" }, message, back, ready, send, confirm.el, count),
  );
  setAttr(el, "role", "region");
  return parts;
}

export class DeskSheet {
  #store;
  #parts;
  #fields = [];
  #readied = 0;
  #view = null; // as it was last drawn: what a choice offers is looked up in it
  #back = null; // the command that a condition led away from: {name, args}
  #begin;

  /**
   * @param {Element} el
   * @param {{ask: (message: object) => Promise<object>, changed: () => void,
   *   begin: (name: string, preset: object) => void, cancel: () => void}} acts
   */
  constructor(el, acts) {
    this.#begin = acts.begin;
    this.el = el;
    this.#store = new SheetStore(acts);
    this.#parts = build(el, {
      ready: () => this.#store.take({ type: "ask_ready", ...this.#typed() }),
      send: () => this.#store.take({ type: "ask_send", ...this.#typed() }),
      confirm: () => this.#store.take({ type: "ask_confirm" }),
      drop: acts.cancel,
      instead: ({ command, args }) => this.#instead(command, args),
      back: () => {
        const { name, args } = this.#back;
        this.#begin(name, args);
      },
    });
  }

  get state() {
    return this.#store.sheet.state;
  }

  /** Show a command of the dictionary by its name, with some of its arguments given. */
  open(view, name, preset) {
    const command = view.store.dictionary.commands.find((one) => one.name === name);
    const { round } = this.#store.sheet;
    this.#store.take({ type: "open", command });
    if (this.#store.sheet.round === round) return;
    if (this.#back?.name === name) this.#back = null;
    this.#fill(view, command, preset);
    setHidden(this.el, false);
    this.#parts.title.focus();
  }

  /** A condition that is not met leads to the command that makes it true, and that one leads back. */
  #instead(command, args) {
    const { sheet } = this.#store;
    const back = { name: sheet.command.name, args: this.#typed().args };
    this.#begin(command.name, args);
    this.#back = back;
  }

  /** Take the sheet away; what is ready is cancelled. */
  close() {
    this.#store.take({ type: "close" });
  }

  /** The person's way out: drop what is ready, else close. */
  escape() {
    this.#store.take({ type: "drop" });
  }

  update(view) {
    this.#view = view;
    if (view.page.replay) {
      setHidden(this.el, true);
      return;
    }
    this.#lookForInvitation(view);
    setHidden(this.el, this.state === "closed");
    document.body.classList.toggle("sheet-open", this.state !== "closed");
    if (this.state === "closed") {
      this.#back = null;
      return;
    }
    this.#store.take({ type: "look", now: performance.now(), ...this.#typed() });
    const followed = this.#followed(view);
    this.#store.take({ type: "watch", commandState: followed?.state, rx: view.cursor.rx });
    const { sheet } = this.#store;
    const full = this.#name(sheet.command);
    this.#drawHead(sheet, full);
    this.#drawActs(view, sheet, full);
    this.#drawHold(view, sheet, followed, full);
    this.#drawBody(view, sheet, followed);
    this.#drawBack(view, sheet);
    this.#drawMessage(view, sheet, followed);
  }

  #lookForInvitation(view) {
    const { putAside, round } = this.#store.sheet;
    const asked = invitation(view.commands(), view.page.desk, view.cursor.rx, putAside);
    const command = asked && view.store.dictionary.commands.find((one) => one.name === asked.command);
    if (!command) return;
    this.#store.take({ type: "invited", asked, command });
    if (this.#store.sheet.round !== round) this.#fill(view, command, asked.args);
  }

  /** The live view of the command on the sheet, once the station has given it a number. */
  #followed(view) {
    const { id } = this.#store.sheet;
    return id === null ? undefined : view.commands().find((one) => one.id === id);
  }

  /** What stands in the fields, in SI, and the first thing that is wrong with it. */
  #typed() {
    const args = Object.fromEntries(this.#fields.map(({ arg, input }) => [arg.name, toSi(arg, input.value)]));
    const unchosen = this.#fields.find(({ isWord, input }) => isWord && input.value === "");
    const wrong = this.#fields.map(({ arg }) => complaint(arg, args[arg.name])).find(Boolean) ?? "";
    return { args, problem: unchosen ? `Choose: ${unchosen.options.map(({ text }) => text).join(" or ")}.` : wrong };
  }

  /** The command as people say it: "Fire lateral motor 1", "Move fin 1 to 5°". */
  #name(command) {
    const told = this.#fields.filter(({ isWord, input }) => !isWord || input.value !== "");
    return spoken(
      command.title,
      told.map(({ arg, shown, isWord, isMeasure }) => ({ name: arg.name, text: shown(), isWord, isMeasure })),
    );
  }

  /** Each choice offers the opposite of what is now; where that is not known it offers nothing and says so. */
  #offer(command) {
    const args = this.#typed().args;
    for (const { arg, options, isWord, offer } of this.#fields) {
      if (!isWord) continue;
      const present = presentChoice(command, arg, args, (role) => this.#view?.sample(role));
      const now = options.find(({ value }) => value === present)?.text;
      const words = now ? `now: ${now}` : "";
      offer(offered(options, present), present === null ? "Not known what is so now: choose." : words);
    }
  }

  #fill(view, command, preset) {
    const { form, does, caution } = this.#parts;
    this.#fields = command.args.map((arg) => ArgumentField(arg, preset[arg.name], family(view.store.roles, arg.name)));
    form.replaceChildren(...this.#fields.map((field) => field.el));
    form.onchange = () => this.#offer(command);
    this.#view = view;
    this.#offer(command);
    setText(does, command.does);
    setText(caution, command.caution ?? "");
    setHidden(caution, !command.caution);
    setAttr(this.el, "aria-label", `Command: ${command.title}`);
  }

  #drawHead({ state, invitedBy }, full) {
    const { title, from, cancel } = this.#parts;
    setText(title, full);
    setHidden(from, invitedBy === null);
    setText(from, invitedBy === null ? "" : `${invitedBy} got this ready and asks you to confirm it.`);
    setText(cancel, state !== "ready" ? "Close" : invitedBy === null ? "Cancel" : "Decline");
    setAttr(cancel, "aria-label", `${cancel.textContent}: ${full}`);
    setAttr(cancel, "disabled", state === "confirming");
  }

  #drawActs(view, { state, command, check }, full) {
    const { ready, send } = this.#parts;
    const { canCommand } = view.page;
    const routine = command.hazard === "routine";
    setText(ready, `1  Get ready: ${full}`);
    setText(send, `Send: ${full}`);
    setHidden(ready, routine || !["open", "asking"].includes(state));
    setAttr(ready, "disabled", state !== "open" || !check?.ready || !canCommand);
    setHidden(send, !routine || !["open", "sending"].includes(state));
    setAttr(send, "disabled", state !== "open" || !canCommand);
  }

  #drawHold(view, { state, ready, invitedBy, readied }, followed, full) {
    const { confirm, count } = this.#parts;
    const { canCommand, desk, silentSince } = view.page;
    const another = invitedBy === null && followed?.confirm_by === "another";
    const able = invitedBy === null ? canCommand : Boolean(desk?.open) && silentSince === null;
    const gate = state === "ready" && able ? confirmWindow(ready, view.cursor.rx) : "late";
    confirm.show(!another && (state === "ready" || state === "confirming"), gate, full);
    // A hidden control cannot take the focus, so the second act gets it once it is shown.
    if (readied !== this.#readied && state === "ready") confirm.el.focus();
    this.#readied = readied;
    const words = state === "ready" ? countdown(ready, view.cursor.rx) : "";
    setText(count, another && words ? `Another person confirms on their own page. ${words}` : words);
  }

  #drawBack(view, { state, command }) {
    const { back } = this.#parts;
    const to = this.#back && view.store.dictionary.commands.find(({ name }) => name === this.#back.name);
    setHidden(back, !to || to === command || !["open", "following"].includes(state));
    setText(back, to ? `Back to: ${to.title}` : "");
  }

  /** What can be done about a condition: the command that makes it true, or whose hands it needs. */
  #remedy(view, command, lock) {
    const { commands } = view.store.dictionary;
    const declared = command.interlocks.find(({ name }) => name === lock.name);
    if (lock.word !== "NOT met" || !declared) return null;
    const found = makesTrue(commands, declared, this.#typed().args);
    if (!found) return { words: byHand(declared) };
    const texts = found.command.args.map((arg) => {
      const choice = choices(arg)?.find(({ value }) => value === found.args[arg.name]);
      return { name: arg.name, text: choice?.text ?? String(found.args[arg.name]), isWord: Boolean(arg.values) };
    });
    const said = spoken(found.command.title, texts);
    const more = found.command.hazard === "routine" ? "" : "\u2026";
    return { ...found, words: said + more, able: view.page.canCommand };
  }

  #drawBody(view, { state, command, check }, followed) {
    const { locks, follow, steps } = this.#parts;
    for (const field of this.#fields) setAttr(field.input, "disabled", state !== "open");
    const lines = state === "following" ? [] : lockLines(command.interlocks, check?.interlocks);
    const canTurn = state === "open"; // what is ready is not dropped by a condition's button
    locks.update(
      command,
      lines.map((lock) => ({ ...lock, remedy: canTurn ? this.#remedy(view, command, lock) : null })),
    );
    setHidden(follow, !followed);
    if (followed) steps.update(followed);
  }

  #drawMessage(view, { state, said }, followed) {
    const { message } = this.#parts;
    const following = followed && ["following", "confirming"].includes(state);
    const words = following ? this.#outcome(view, followed) : this.#hint(view, state);
    setText(message, [said, following || !said ? words : ""].filter(Boolean).join(" "));
    const overtaken = following && words.startsWith("It was ");
    const tone = following ? (COMMAND_STATES[followed.state]?.tone ?? "none") : said ? "caution" : "none";
    setTone(message, overtaken ? "none" : tone);
  }

  // What was asked for later may have undone it: no sheet may go on saying "verified" beside a channel that is safe.
  #outcome(view, followed) {
    const words = commandSentence(followed, view.cursor.rx, false);
    const [latest] = view.asked();
    if (!latest || latest.id === followed.id || !COMMAND_STATES[followed.state]?.final) return words;
    const later = latest.title + (latest.args_text ? `, ${latest.args_text}` : "");
    return `It was ${words}. Since then: ${later}: ${commandSentence(latest, view.cursor.rx, false)}.`;
  }

  #hint(view, state) {
    if (state !== "open") return "";
    return view.page.canCommand ? this.#typed().problem : "Command authority is not yours.";
  }
}
