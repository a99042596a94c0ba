// The desk sheet: one command with arguments, interlocks and the two separate acts. It stays open in every place and
// never covers the status line. What it knows is in sheet_store.js; this file draws it and hands on what a person does.

import { confirmWindow, countdown } from "../kit/confirm_window.js";
import { h, setAttr, setHidden, setText, setTone } from "../kit/dom.js";
import { HoldButton } from "../kit/hold_button.js";
import { COMMAND_STATES } from "../session/messages.js";
import { family } from "../session/roles.js";
import { ArgumentField } from "./argument_field.js";
import { complaint, toSi } from "./arguments.js";
import { commandSentence, StepRow } from "./command_log.js";
import { invitation } from "./desk_flow.js";
import { InterlockList, lockLines } from "./interlock_list.js";
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
    locks: InterlockList(),
    steps: StepRow(),
    message: h("p", { class: "sheet-said", role: "status", testid: "desk-said" }),
    ready: button("desk-arm", on.ready, "act -hazardous"),
    send: button("desk-send", on.send),
    confirm: HoldButton(on.confirm),
    count: h("p", { class: "countdown", testid: "desk-countdown" }),
    cancel: button("desk-cancel", on.drop),
  };
  const { title, cancel, from, does, caution, form, locks, message, ready, send, confirm, count } = parts;
  parts.follow = h("div", { class: "sheet-follow" }, parts.steps.el);
  const body = { class: "sheet-body", tabindex: "0", role: "group", "aria-label": "What it does and its conditions" };
  el.append(
    h("div", { class: "sheet-head" }, title, cancel),
    h("div", body, from, does, caution, form, locks.el, parts.follow),
    h("div", { class: "sheet-acts" }, message, ready, send, confirm.el, count),
  );
  setAttr(el, "role", "region");
  return parts;
}

export class DeskSheet {
  #store;
  #parts;
  #fields = [];
  #readied = 0;

  /**
   * @param {Element} el
   * @param {{ask: (message: object) => Promise<object>, changed: () => void}} acts
   */
  constructor(el, acts) {
    this.el = el;
    this.#store = new SheetStore(acts);
    this.#parts = build(el, {
      ready: () => this.#store.take({ type: "ask_ready", ...this.#typed() }),
      send: () => this.#store.take({ type: "ask_send", ...this.#typed() }),
      confirm: () => this.#store.take({ type: "ask_confirm" }),
      drop: () => this.escape(),
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
    this.#fill(view, command, preset);
    setHidden(this.el, false);
    this.#parts.title.focus();
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
    if (view.page.replay) {
      setHidden(this.el, true);
      return;
    }
    this.#lookForInvitation(view);
    setHidden(this.el, this.state === "closed");
    document.body.classList.toggle("sheet-open", this.state !== "closed");
    if (this.state === "closed") return;
    this.#store.take({ type: "look", now: performance.now(), ...this.#typed() });
    const followed = this.#followed(view);
    this.#store.take({ type: "watch", commandState: followed?.state, rx: view.cursor.rx });
    const { sheet } = this.#store;
    const full = this.#name(sheet.command);
    this.#drawHead(sheet, full);
    this.#drawActs(view, sheet, full);
    this.#drawHold(view, sheet, followed, full);
    this.#drawBody(sheet, followed);
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
    const problem = this.#fields.map(({ arg }) => complaint(arg, args[arg.name])).find(Boolean) ?? "";
    return { args, problem };
  }

  /** The dictionary's title with what it is for: "Fire lateral motor 1". */
  #name(command) {
    return [command.title, ...this.#fields.map(({ shown }) => shown())].join(" ");
  }

  #fill(view, command, preset) {
    const { form, does, caution } = this.#parts;
    this.#fields = command.args.map((arg) => ArgumentField(arg, preset[arg.name], family(view.store.roles, arg.name)));
    form.replaceChildren(...this.#fields.map((field) => field.el));
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

  #drawBody({ state, command, check }, followed) {
    const { locks, follow, steps } = this.#parts;
    for (const field of this.#fields) setAttr(field.input, "disabled", state !== "open");
    locks.update(command, state === "following" ? [] : lockLines(command.interlocks, check?.interlocks));
    setHidden(follow, !followed);
    if (followed) steps.update(followed);
  }

  #drawMessage(view, { state, said }, followed) {
    const { message } = this.#parts;
    const following = followed && ["following", "confirming"].includes(state);
    const words = following ? commandSentence(followed, view.cursor.rx, false) : this.#hint(view, state);
    setText(message, [said, following || !said ? words : ""].filter(Boolean).join(" "));
    setTone(message, following ? (COMMAND_STATES[followed.state]?.tone ?? "none") : said ? "caution" : "none");
  }

  #hint(view, state) {
    if (state !== "open") return "";
    return view.page.canCommand ? this.#typed().problem : "Command authority is not yours.";
  }
}
