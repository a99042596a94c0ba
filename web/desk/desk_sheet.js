// The desk sheet: one command with arguments, interlocks and the two separate acts. It stays open in every place and
// never covers the status line. The rules are the table in desk_flow.js; this file draws it.

import { confirmWindow, countdown } from "../kit/confirm_window.js";
import { h, setAttr, setHidden, setText, setTone } from "../kit/dom.js";
import { HoldButton } from "../kit/hold_button.js";
import { COMMAND_STATES } from "../session/messages.js";
import { family } from "../session/roles.js";
import { ArgumentField } from "./argument_field.js";
import { complaint, toSi } from "./arguments.js";
import { invitation, nextState } from "./desk_flow.js";
import { InterlockList, lockLines } from "./interlock_list.js";

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
  let ready = null; // the station's reply to the first act, or another person's command view
  let given = {}; // the arguments that were made ready: exactly these are confirmed
  let invitedBy = null;
  let id = null;
  let said = "";
  let lastCheck = -Infinity;
  let opened = 0;
  let focusNext = false;
  const putAside = new Set();

  const title = h("h2", { class: "sheet-title", tabindex: "-1", testid: "desk-title" });
  const from = h("p", { class: "sheet-from", testid: "desk-from" });
  const does = h("p", { class: "sheet-does" });
  const caution = h("p", { class: "sheet-caution" });
  const form = h("div", { class: "sheet-fields" });
  const locks = InterlockList();
  const readyButton = h("button", {
    type: "button",
    class: "act -hazardous",
    testid: "desk-arm",
    on: { click: askReady },
  });
  const sendButton = h("button", { type: "button", class: "act", testid: "desk-send", on: { click: askSend } });
  const confirm = HoldButton(askConfirm);
  const count = h("p", { class: "countdown", testid: "desk-countdown" });
  const cancel = h("button", { type: "button", class: "act", testid: "desk-cancel", on: { click: askCancel } });
  const message = h("p", { class: "sheet-said", role: "status", testid: "desk-said" });
  const steps = StepRow();
  const follow = h("div", { class: "sheet-follow" }, steps.el);
  el.append(
    h("div", { class: "sheet-head" }, title, cancel),
    h(
      "div",
      { class: "sheet-body", tabindex: "0", role: "group", "aria-label": "What it does and its conditions" },
      from,
      does,
      caution,
      form,
      locks.el,
      follow,
    ),
    h("div", { class: "sheet-acts" }, message, readyButton, sendButton, confirm.el, count),
  );
  setAttr(el, "role", "region");

  function go(event) {
    state = nextState(state, event);
    acts.changed();
  }

  function values() {
    return Object.fromEntries(fields.map(({ arg, input }) => [arg.name, toSi(arg, input.value)]));
  }

  function problem() {
    const wanted = values();
    return command.args.map((arg) => complaint(arg, wanted[arg.name])).find(Boolean) ?? "";
  }

  /** The dictionary's title with what it is for: "Fire lateral motor 1". */
  function name() {
    return [command.title, ...fields.map(({ shown }) => shown())].join(" ");
  }

  async function askReady() {
    said = problem();
    if (said) return acts.changed();
    const mine = ++opened;
    given = values();
    go("ask_ready");
    const reply = await acts.ask({ type: "arm", command: command.name, args: given });
    if (mine !== opened) {
      // The sheet went away while the station was asked: what it got ready is taken back.
      if (reply.ok) acts.ask({ type: "cancel", id: reply.id });
      return;
    }
    said = reply.ok ? "" : reply.sentence;
    if (reply.ok) {
      ready = reply;
      id = reply.id;
    }
    go(reply.ok ? "ready" : "refused");
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
    said = "";
    go("ask_confirm");
    const reply = await acts.ask({ type: "confirm", id, command: command.name, args: given });
    if (mine !== opened) return;
    said = reply.ok ? "" : reply.sentence;
    // A reply that never came may hide a command that went out: its steps are shown, never "nothing happened".
    go(reply.ok || reply.late ? "done" : "refused");
  }

  function askCancel() {
    if (state === "confirming") return;
    if (state === "ready") {
      acts.ask({ type: "cancel", id });
      if (invitedBy !== null) putAside.add(id);
      said = invitedBy === null ? "Cancelled before anything was sent." : "Declined: nothing was sent.";
      go(invitedBy === null ? "cancel" : "declined");
    } else {
      close();
    }
  }

  /** Take the sheet away; what is ready is cancelled. */
  function close() {
    if (state === "ready") acts.ask({ type: "cancel", id });
    opened++;
    state = "closed";
    acts.changed();
  }

  function begin(view, described, preset) {
    command = described;
    opened++;
    [check, ready, id, said, lastCheck, invitedBy] = [null, null, null, "", -Infinity, null];
    fields = command.args.map((arg) => ArgumentField(arg, preset[arg.name], family(view.store.roles, arg.name)));
    form.replaceChildren(...fields.map((field) => field.el));
    setText(does, command.does);
    setText(caution, command.caution ?? "");
    setHidden(caution, !command.caution);
    setAttr(el, "aria-label", `Command: ${command.title}`);
  }

  function open(view, wanted, preset) {
    if (state === "confirming") return;
    if (state === "ready") acts.ask({ type: "cancel", id });
    begin(
      view,
      view.store.dictionary.commands.find((one) => one.name === wanted),
      preset,
    );
    state = "open";
    acts.changed();
    setHidden(el, false);
    title.focus();
  }

  // By the two-person rule the second act may be this person's: the sheet comes by itself.
  function lookForInvitation(view) {
    if (nextState(state, "invited") === state) return;
    const asked = invitation(view.commands(), view.page.desk, view.cursor.rx, putAside);
    const described = asked && view.store.dictionary.commands.find((one) => one.name === asked.command);
    if (!described) return;
    begin(view, described, asked.args);
    [ready, id, given, invitedBy] = [asked, asked.id, asked.args, asked.operator];
    state = nextState(state, "invited");
  }

  function poll(now) {
    if (state === "closed" || state === "following" || command.hazard === "routine" || now - lastCheck < CHECK_MS)
      return;
    if (problem()) return;
    lastCheck = now;
    const mine = opened;
    acts.ask({ type: "check", command: command.name, args: values() }).then((reply) => {
      if (mine === opened && reply.interlocks) {
        check = reply;
        acts.changed();
      }
    });
  }

  function update(view) {
    if (view.page.replay) {
      setHidden(el, true);
      return;
    }
    lookForInvitation(view);
    setHidden(el, state === "closed");
    document.body.classList.toggle("sheet-open", state !== "closed");
    if (state === "closed") return;
    poll(performance.now());
    const routine = command.hazard === "routine";
    const mine = id === null ? undefined : view.commands().find((one) => one.id === id);
    if (state === "ready") watchReady(view, mine);
    const full = name();
    setText(title, full);
    setHidden(from, invitedBy === null);
    setText(from, invitedBy === null ? "" : `${invitedBy} got this ready and asks you to confirm it.`);
    setText(readyButton, `1  Get ready: ${full}`);
    setText(sendButton, `Send: ${full}`);
    setHidden(readyButton, routine || !["open", "asking"].includes(state));
    setAttr(readyButton, "disabled", state !== "open" || !check?.ready || !view.page.canCommand);
    setHidden(sendButton, !routine || !["open", "sending"].includes(state));
    setAttr(sendButton, "disabled", state !== "open" || !view.page.canCommand);
    drawHold(view, mine, full);
    setText(cancel, state !== "ready" ? "Close" : invitedBy === null ? "Cancel" : "Decline");
    setAttr(cancel, "aria-label", `${cancel.textContent}: ${full}`);
    setAttr(cancel, "disabled", state === "confirming");
    for (const field of fields) setAttr(field.input, "disabled", state !== "open");
    locks.update(command, state === "following" ? [] : lockLines(command.interlocks, check?.interlocks));
    setHidden(follow, !mine);
    if (mine) steps.update(mine);
    drawMessage(view, mine);
  }

  function drawHold(view, mine, full) {
    const another = invitedBy === null && mine?.confirm_by === "another";
    const able =
      invitedBy === null ? view.page.canCommand : Boolean(view.page.desk?.open) && view.page.silentSince === null;
    const gate = state === "ready" && able ? confirmWindow(ready, view.cursor.rx) : "late";
    confirm.show(!another && (state === "ready" || state === "confirming"), gate, full);
    // A hidden control cannot take the focus, so the second act gets it once it is shown.
    if (focusNext && state === "ready") {
      focusNext = false;
      confirm.el.focus();
    }
    const words = state === "ready" ? countdown(ready, view.cursor.rx) : "";
    setText(count, another && words ? `Another person confirms on their own page. ${words}` : words);
  }

  function drawMessage(view, mine) {
    const following = mine && ["following", "confirming"].includes(state);
    const words = following
      ? commandSentence(mine, view.cursor.rx, false)
      : state !== "open"
        ? ""
        : view.page.canCommand
          ? problem()
          : "Command authority is not yours.";
    setText(message, [said, following || !said ? words : ""].filter(Boolean).join(" "));
    setTone(message, following ? (COMMAND_STATES[mine.state]?.tone ?? "none") : said ? "caution" : "none");
  }

  // The station may drop it by itself: link lost, authority taken, vehicle restarted. The page follows and says why.
  function watchReady(view, mine) {
    if (mine && mine.state !== "armed") {
      said = "";
      go("ended");
      return;
    }
    if (confirmWindow(ready, view.cursor.rx) !== "late") return;
    said = "Time ran out: nothing was sent.";
    if (invitedBy !== null) putAside.add(id);
    go(invitedBy === null ? "expired" : "declined");
  }

  return {
    open,
    update,
    close,
    escape: askCancel,
    get state() {
      return state;
    },
  };
}
