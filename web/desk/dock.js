// The command dock: one column beside every place in which everything about commanding stands once - the command being
// made ready, who commands, all commands with a search, the last commands, a mark in the recording. Beside a place it
// takes room of its own and covers nothing; on a phone it is a sheet from below. Watchers and replays have none.

import { h, setAttr, setClass, setHidden } from "../kit/dom.js";
import { AuthorityPanel } from "./authority_panel.js";
import { CommandList } from "./command_list.js";
import { CommandLog } from "./command_log.js";
import { DeskSheet } from "./desk_sheet.js";
import { MarkPanel } from "./mark_panel.js";

const NARROW = "(max-width: 700px)";
const ROOM_PX = 12;

export class Dock {
  #acts;
  #isOpen = false; // by the person; a command on the sheet shows the dock as well
  #opener = null;
  #parts;

  /**
   * @param {Element} el @param {Element} main what the dock stands beside, and scrolls on a phone
   * @param {object} acts of the page, with `ask` for the sheet
   */
  constructor(el, main, acts) {
    this.el = el;
    this.#acts = acts;
    const sheet = h("div", { id: "sheet", class: "desk-sheet", hidden: true });
    this.sheet = new DeskSheet(sheet, { ...acts, cancel: () => this.#cancel() });
    const close = h("button", {
      type: "button",
      class: "act dock-close",
      testid: "dock-close",
      text: "Close",
      "aria-label": "Close the command dock",
      title: "D",
      on: { click: () => this.close() },
    });
    const body = (name, title, build) => {
      const box = h("div", { class: "panel-body" });
      const section = h("section", { class: `dock-part ${name}`, "aria-label": title }, h("h2", { text: title }), box);
      return { section, panel: build(box, acts) };
    };
    const authority = body("authority-panel", "Command authority", AuthorityPanel);
    const list = body("commands-panel", "All commands", CommandList);
    const log = body("log", "Last commands", CommandLog);
    const mark = body("mark", "Mark in the recording", MarkPanel);
    const rest = [authority, list, log, mark];
    const scroll = h("div", { class: "dock-rest" }, ...rest.map(({ section }) => section));
    el.append(h("div", { class: "dock-head" }, h("h2", { text: "Commands" }), close), sheet, scroll);
    this.#parts = { main, scroll, rest: rest.map(({ panel }) => panel) };
    matchMedia(NARROW).addEventListener("change", () => acts.changed());
  }

  /** Is anything of it seen? */
  get shown() {
    return !this.el.hidden;
  }

  toggle() {
    if (this.shown) this.close();
    else {
      this.#isOpen = true;
      this.#acts.changed();
    }
  }

  /** Take the dock away with what is on its sheet; only a running confirmation is not left. */
  close() {
    if (this.sheet.state === "confirming") return;
    this.sheet.close();
    this.#isOpen = false;
    this.#acts.changed();
  }

  /** Show a command of the dictionary; the control that began it stays in sight. */
  begin(view, name, preset) {
    this.#opener = this.el.contains(document.activeElement) ? null : document.activeElement;
    this.sheet.open(view, name, preset);
  }

  /** The person's way out: drop what is ready, else close the sheet, else the dock; false where nothing was open. */
  escape() {
    if (!this.shown) return false;
    if (this.sheet.state === "closed") this.close();
    else this.sheet.escape();
    return true;
  }

  // On a phone the sheet lies over the place: with its command it goes away whole.
  #cancel() {
    this.sheet.escape();
    if (matchMedia(NARROW).matches) this.close();
  }

  update(view) {
    const { desk, replay } = view.page;
    this.sheet.update(view);
    const isOnSheet = this.sheet.state !== "closed";
    const able = Boolean(desk) && !replay;
    if (!able) this.#isOpen = false;
    const wasShown = this.shown;
    const show = able && (this.#isOpen || isOnSheet);
    setHidden(this.el, !show);
    setClass(document.body, "dock-open", show);
    setClass(this.el, "-command", isOnSheet);
    setAttr(this.#parts.scroll, "hidden", isOnSheet && matchMedia(NARROW).matches);
    if (show) for (const panel of this.#parts.rest) panel.update(view);
    if (show && !wasShown) this.#keepOpenerInSight();
  }

  // A phone's sheet would lie over the very thing it moves: the page is scrolled so that it lies above, right under the
  // status line, since the sheet may yet grow.
  #keepOpenerInSight() {
    const opener = this.#opener;
    this.#opener = null;
    if (!opener || !matchMedia(NARROW).matches) return;
    const { bottom } = this.#acts.statusBox();
    const { top, height } = opener.getBoundingClientRect();
    if (top < bottom || top + height > bottom + ROOM_PX + height) scrollBy(0, top - bottom - ROOM_PX / 2);
  }
}
