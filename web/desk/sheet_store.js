// What the desk sheet knows, and everything that can happen to it: a pure step, and a store that alone writes it.
// The order of the acts is the table in desk_flow.js; drawing is in desk_sheet.js.

import { confirmWindow } from "../kit/confirm_window.js";
import { nextState } from "./desk_flow.js";

/** Milliseconds between two looks at the conditions. */
export const CHECK_MS = 500;

/**
 * @typedef {object} Sheet
 * @property {string} state one of desk_flow.js @property {object|null} command the dictionary's entry
 * @property {number} round goes up when an earlier question no longer matters: replies of another round are late
 * @property {object} args what was made ready, in SI: exactly this is confirmed
 * @property {object|null} ready the station's reply to the first act, or another person's command view
 * @property {number|null} id of the command @property {string|null} invitedBy who got it ready, when it was another
 * @property {object|null} check the station's last look at the conditions @property {number} checkedAt milliseconds
 * @property {string} said the last sentence for the person @property {number} readied how often a first act succeeded
 * @property {number[]} putAside commands of others that this person declined
 */

/** @type {Sheet} */
export const CLOSED = Object.freeze({
  state: "closed",
  command: null,
  round: 0,
  args: {},
  ready: null,
  id: null,
  invitedBy: null,
  check: null,
  checkedAt: -Infinity,
  said: "",
  readied: 0,
  putAside: [],
});

/**
 * What one event makes of the sheet, and what is then asked of the station.
 * @param {Sheet} sheet @param {{type: string}} event one of EVENTS, with what belongs to it
 * @returns {{sheet: Sheet, asks: object[]}}
 */
export function step(sheet, event) {
  const [next, ...asks] = EVENTS[event.type](sheet, event);
  return { sheet: next, asks: asks.filter(Boolean) };
}

const EVENTS = {
  // A person opens a command: what was ready before is taken back; only a running confirmation is not left.
  open(sheet, { command }) {
    if (sheet.state === "confirming") return [sheet];
    return [{ ...fresh(sheet, command), state: "open" }, takenBack(sheet)];
  },

  // By the two-person rule the second act may be this person's: the sheet comes by itself.
  invited(sheet, { asked, command }) {
    const state = nextState(sheet.state, "invited");
    if (state === sheet.state) return [sheet];
    return [
      { ...fresh(sheet, command), state, ready: asked, id: asked.id, args: asked.args, invitedBy: asked.operator },
    ];
  },

  ask_ready: (sheet, { args, problem }) => asking(sheet, "ask_ready", { type: "arm", args }, problem),
  ask_send: (sheet, { args, problem }) => asking(sheet, "ask_send", { type: "send", args }, problem),

  ask_confirm(sheet) {
    const { id, command, args } = sheet;
    const next = { ...sheet, state: nextState(sheet.state, "ask_confirm"), said: "" };
    return next.state === sheet.state ? [sheet] : [next, { type: "confirm", id, command: command.name, args }];
  },

  // The person's way out: a running confirmation cannot be left, what is ready is dropped, everything else closes.
  drop(sheet) {
    if (sheet.state === "confirming") return [sheet];
    if (sheet.state !== "ready") return EVENTS.close(sheet);
    const said = sheet.invitedBy === null ? "Cancelled before anything was sent." : "Declined: nothing was sent.";
    return [{ ...withoutReady(sheet, "cancel"), said }, takenBack(sheet)];
  },

  close: (sheet) => [{ ...sheet, state: "closed", round: sheet.round + 1 }, takenBack(sheet)],

  // A look at the conditions, while they matter and what was typed can be sent.
  look(sheet, { now, args, problem }) {
    const idle = sheet.state === "closed" || sheet.state === "following" || sheet.command.hazard === "routine";
    if (idle || problem || now - sheet.checkedAt < CHECK_MS) return [sheet];
    return [
      { ...sheet, checkedAt: now },
      { type: "check", command: sheet.command.name, args },
    ];
  },

  // The station may drop it by itself: link lost, authority taken, vehicle restarted. The page follows and says why.
  watch(sheet, { commandState, rx }) {
    if (sheet.state !== "ready") return [sheet];
    if (commandState !== undefined && commandState !== "armed") {
      return [{ ...sheet, state: nextState(sheet.state, "ended"), said: "" }];
    }
    if (confirmWindow(sheet.ready, rx) !== "late") return [sheet];
    return [{ ...withoutReady(sheet, "expired"), said: "Time ran out: nothing was sent." }];
  },

  replied(sheet, { asked: question, round, reply }) {
    if (round === sheet.round) return [REPLIES[question](sheet, reply)];
    // The sheet went away while the station was asked: what it got ready is taken back.
    return [sheet, question === "arm" && reply.ok && { type: "cancel", id: reply.id }];
  },
};

const REPLIES = {
  arm(sheet, reply) {
    const next = { ...sheet, state: nextState(sheet.state, reply.ok ? "ready" : "refused"), said: sentenceOf(reply) };
    return reply.ok ? { ...next, ready: reply, id: reply.id, readied: sheet.readied + 1 } : next;
  },
  send: (sheet, reply) => ({
    ...sheet,
    state: nextState(sheet.state, reply.ok ? "done" : "refused"),
    said: sentenceOf(reply),
    id: reply.id ?? null,
  }),
  // A reply that never came may hide a command that went out: its steps are shown, never "nothing happened".
  confirm: (sheet, reply) => ({
    ...sheet,
    state: nextState(sheet.state, reply.ok || reply.late ? "done" : "refused"),
    said: sentenceOf(reply),
  }),
  check: (sheet, reply) => (reply.interlocks ? { ...sheet, check: reply } : sheet),
  cancel: (sheet) => sheet,
};

const sentenceOf = (reply) => (reply.ok ? "" : reply.sentence);
const takenBack = ({ state, id }) => state === "ready" && { type: "cancel", id };

/** A command newly on the sheet; what the sheet keeps are its counters and what was declined. */
function fresh({ round, readied, putAside }, command) {
  return { ...CLOSED, command, round: round + 1, readied, putAside };
}

function asking(sheet, event, { type, args }, problem) {
  const state = nextState(sheet.state, event);
  if (problem || state === sheet.state) return [{ ...sheet, said: problem }];
  const next = { ...sheet, state, round: sheet.round + 1, args, said: "" };
  return [next, { type, command: sheet.command.name, args }];
}

/** Nothing is ready any more: one's own goes back to the open sheet, another's is put aside. */
function withoutReady(sheet, event) {
  if (sheet.invitedBy === null) return { ...sheet, state: nextState(sheet.state, event) };
  return { ...sheet, state: nextState(sheet.state, "declined"), putAside: [...sheet.putAside, sheet.id] };
}

/** Keeps the sheet: the one place where it is replaced, and where the station is asked. */
export class SheetStore {
  #acts;
  #sheet = CLOSED;

  /** @param {{ask: (message: object) => Promise<object>, changed: () => void}} acts */
  constructor(acts) {
    this.#acts = acts;
  }

  get sheet() {
    return this.#sheet;
  }

  /** @param {{type: string}} event one of EVENTS */
  take(event) {
    const { sheet, asks } = step(this.#sheet, event);
    if (sheet !== this.#sheet) this.#acts.changed();
    this.#sheet = sheet;
    for (const message of asks) this.#ask(message, sheet.round);
  }

  async #ask(message, round) {
    const reply = await this.#acts.ask(message);
    this.take({ type: "replied", asked: message.type, round, reply });
  }
}
